// Saving: into the outbox, on to the next plant, and news of what others counted meanwhile.

import { dropDraft } from "./drafts.js";
import { flush, listeners } from "./everywhere.js";
import { tellNext, tellNow } from "./notices.js";
import { newKey, posts, put } from "./outbox.js";
import { needWho } from "./who.js";

let saving = false;

// Puts a count into the outbox and goes on to the next plant once the computer has it.
export async function save(plant, said, words, where = "counts") {
  if (saving) {
    tellNow(["The save before is still being sent."]);
    return;
  }
  const who = await needWho();
  if (!who) return;
  saving = true;
  const field = plant.field === null ? "" : `?field=${plant.field}`;
  const key = newKey();
  const count = where === "counts" ? { reading_id: plant.reading, seen: plant.seen } : {};
  put({
    key,
    url: `/plants/${plant.sha256}/${where}${field}`,
    body: { who, save_key: key, ...count, ...said },
    label: `${words} for ${plant.photo}`,
  });
  listeners.set(key, (result) => {
    saving = false;
    if (result.state === "refused") {
      tellNow([`Not stored. ${result.words}`]);
      return;
    }
    dropDraft(plant.sha256);
    goOn(plant, result.answer, words);
  });
  await flush();
}

function goOn(plant, answer, words) {
  const note = [`${plant.photo}: ${words} saved. `];
  const apart = Object.entries(answer.apart || {});
  if (apart.length) {
    note.push(`People differ: ${apart.map(([who, stage]) => `${who} ${stage}`).join(", ")}. All are kept. `);
  } else if (answer.new && answer.new.length) {
    note.push(`${answer.new[0].who} counted it meanwhile: ${answer.new[0].stage}. Both are kept. `);
  }
  note.push({ href: `/plants/${plant.sha256}`, words: "Open it again" });
  tellNext(note);
  location.assign(answer.next);
}

// A save of this plant that was under way when the page was left: its end is heard here.
export function takeUp(plant) {
  for (const post of posts().filter((p) => p.url.startsWith(`/plants/${plant.sha256}/`))) {
    saving = true;
    listeners.set(post.key, (result) => {
      saving = false;
      if (result.state === "done") {
        dropDraft(plant.sha256);
        goOn(plant, result.answer, post.label.split(" for ")[0]);
      } else {
        tellNow([`Not stored. ${result.words}`]);
      }
    });
  }
}

// A page that comes back into sight may be behind: somebody else, or another tab, may have counted.
export function watchCounts(plant) {
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
    if (!fresh.length) return;
    const names = [...new Set(fresh.map((c) => c.who))].join(", ");
    tellNow([
      `Counted meanwhile by ${names}. Yours will be kept beside it. `,
      { href: location.pathname + location.search, words: "Load again" },
    ]);
  });
}
