// Saving: into the outbox, on to the next plant, and news of what others counted meanwhile.

import { draftText } from "./drafts.js";
import { flush, listeners } from "./everywhere.js";
import { tellNext, tellNow } from "./notices.js";
import { drop, newKey, posts, put } from "./outbox.js";
import { needWho, who } from "./who.js";

let plant = null;
let marks = null;
// By key: what saves that are on their way say, the last word last.
const underWay = new Map();

// For the plant of this page and its handles.
export function begin(shown, handles) {
  plant = shown;
  marks = handles;
  // Saves of this plant that were under way when the page was left: their end is heard here.
  for (const post of ofPlant()) {
    follow(post, post.label.split(" for ")[0]);
  }
  watchCounts();
}

// Puts a count into the outbox and goes on to the next plant once the computer has it. Who saves
// something else meanwhile has changed his mind: that goes too, and as the last word it stands. What
// puts a refused post right takes its place.
export async function save(said, words, where = "counts", refusedKey = null) {
  if ([...underWay.values()].at(-1) === inShort(where, said)) {
    tellNow(["The save before is still being sent."]);
    return;
  }
  const name = await needWho();
  if (!name) return;
  const key = newKey();
  const count = where === "counts" ? { reading_id: plant.reading, seen: plant.seen } : {};
  const post = {
    key,
    url: `/plants/${plant.sha256}/${where}${ofField()}`,
    body: { who: name, save_key: key, ...count, ...said },
    label: `${words} for ${plant.photo}`,
    draft: draftText(plant.sha256),
    made: Date.now(),
    shownAt: plant.shownAt,
    // Stands after it, however long that one is on its way.
    after: ofPlant().at(-1)?.key,
  };
  put(post);
  if (refusedKey) drop(refusedKey);
  if (underWay.size) tellNow([`${words} is kept and sent after the save before: it stands.`]);
  follow(post, words);
  await flush();
}

// Those of this plant that wait to be sent, from other tabs too.
function ofPlant() {
  return posts().filter((p) => p.url.startsWith(`/plants/${plant.sha256}/`));
}

function ofField() {
  return plant.field === null ? "" : `?field=${plant.field}`;
}

function inShort(where, said) {
  return JSON.stringify([where, said]);
}

function follow(post, words) {
  const { who: name, save_key, reading_id, seen, ...said } = post.body;
  const shown = marks.print();
  const changedBefore = draftText(plant.sha256) !== (post.draft ?? null);
  underWay.set(post.key, inShort(post.url.split(/[/?]/)[3], said));
  listeners.set(post.key, {
    // Asked where the answer itself went to another tab.
    next: `/plants/${plant.sha256}/next${ofField()}`,
    tell: (result) => {
      underWay.delete(post.key);
      // What was refused is shown by every page; a later word than this one is still to come.
      if (result.state === "refused" || underWay.size) return;
      const changed = changedBefore || marks.print() !== shown;
      if (changed || document.querySelector("dialog[open]")) stay(result.answer, words, changed);
      else goOn(result.answer, words);
    },
  });
}

// Whoever is at work on the plant isn't taken away from it.
function stay(answer, words, changed) {
  const rest = changed ? "What you changed since isn't saved yet. " : "";
  tellNow([`${plant.photo}: ${words} saved. ${doubtOf(answer)}${rest}`, { href: answer.next, words: "Next plant" }]);
}

// Kept, but the height hardly goes with the stage.
function doubtOf(answer) {
  return answer.doubt ? `${answer.doubt} ` : "";
}

function goOn(answer, words) {
  const note = [`${plant.photo}: ${words} saved. ${doubtOf(answer)}`];
  const apart = Object.entries(answer.apart || {});
  if (apart.length) {
    note.push(`People differ: ${apart.map(([name, stage]) => `${name} ${stage}`).join(", ")}. All are kept. `);
  } else if (answer.new && answer.new.length) {
    note.push(`${answer.new[0].who} counted it meanwhile: ${answer.new[0].stage}. Both are kept. `);
  }
  note.push({ href: `/plants/${plant.sha256}`, words: "Open it again" });
  tellNext(note);
  location.assign(answer.next);
}

// A page that comes back into sight may be behind: somebody else, or another tab, may have counted.
function watchCounts() {
  document.addEventListener("visibilitychange", async () => {
    if (document.visibilityState !== "visible") return;
    let said;
    try {
      const answer = await fetch(`/plants/${plant.sha256}/counts`, { cache: "no-store" });
      if (!answer.ok) return;
      said = await answer.json();
    } catch {
      return;
    }
    const fresh = said.counts.filter((c) => c.id > plant.seen);
    const names = [...new Set(fresh.map((c) => c.who))].filter((name) => name !== who());
    const again = { href: location.pathname + location.search, words: "Load again" };
    if (names.length) {
      tellNow([`Counted meanwhile by ${names.join(", ")}. Yours will be kept beside it. `, again]);
    } else if (fresh.length && !underWay.size) {
      tellNow([`You have counted it meanwhile: ${fresh[0].stage}. A further count stands instead. `, again]);
    }
  });
}
