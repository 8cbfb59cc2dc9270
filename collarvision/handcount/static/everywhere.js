// On every page: who counts, the notice of the page before, and counts that still wait to be sent
// or couldn't be stored.

import { draftText, dropDraft } from "./drafts.js";
import { showNote, tellNow, fill } from "./notices.js";
import { BOX, drop, isForAnother, leftOver, posts, send } from "./outbox.js";
import "./who.js";

const banner = document.getElementById("post");
const kept = document.getElementById("kept");
const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30000;
let wait = FIRST_WAIT_MS;
let timer = 0;
let busy = false;

// By a post's key: {tell, next}, where a page takes over what happens when its post got through.
export const listeners = new Map();

export async function flush() {
  if (busy) return;
  busy = true;
  clearTimeout(timer);
  const tried = new Set();
  // Asked anew each time: a person may save once more while a post is on its way.
  const following = () => posts().find((post) => !tried.has(post.key));
  try {
    for (let post = following(); post; post = following()) {
      tried.add(post.key);
      const result = await send(post);
      if (result.state === "waiting") {
        stayWaiting(result);
        return;
      }
      wait = FIRST_WAIT_MS;
      hear(post, result);
    }
    fill(banner, []);
  } finally {
    busy = false;
    catchUp();
  }
}

function hear(post, result) {
  const sha256 = photoOf(post);
  // What was moved after the save is still to be saved.
  const settled = post.draft === undefined || post.draft === draftText(sha256);
  if (result.state === "done" && settled) dropDraft(sha256);
  showKept();
  const listener = listeners.get(post.key);
  listeners.delete(post.key);
  if (listener) listener.tell(result);
  else if (result.state === "done") tellNow([`Sent: ${post.label}. ${result.answer.doubt || ""}`]);
}

function photoOf(post) {
  return post.url.split("/")[2];
}

// Another tab may have sent what this one waits for: then it is gone from the box, or refused.
function catchUp() {
  showKept();
  const waiting = new Set(posts().map((post) => post.key));
  const refused = new Set(leftOver().map((post) => post.key));
  for (const [key, listener] of [...listeners]) {
    if (waiting.has(key)) continue;
    listeners.delete(key);
    const stored = { state: "done", answer: { next: listener.next } };
    listener.tell(refused.has(key) ? { state: "refused" } : stored);
  }
  if (!waiting.size) {
    clearTimeout(timer);
    fill(banner, []);
  }
}

// Counts that nobody has: each is named until a person says that he knows.
function showKept() {
  const found = leftOver();
  const keys = found.map((post) => post.key).join(" ");
  if (kept.dataset.keys === keys) return; // no button goes away under a finger
  kept.dataset.keys = keys;
  kept.replaceChildren(
    ...found.map((post) => {
      const line = document.createElement("p");
      const button = document.createElement("button");
      button.type = "button";
      if (isForAnother(post)) {
        fill(line, [
          `${post.label} waits for another survey, ${post.surveyName}: open that one here, and it is sent.`,
        ]);
        button.textContent = "Throw away";
      } else {
        fill(line, [
          `Not stored: ${post.label}. ${post.refused} `,
          { href: `/plants/${photoOf(post)}`, words: "Open the plant" },
        ]);
        button.textContent = "Dismiss";
      }
      button.addEventListener("click", () => {
        drop(post.key);
        showKept();
      });
      line.append(button);
      return line;
    }),
  );
  kept.hidden = !kept.childElementCount;
}

function stayWaiting(result) {
  const count = posts().length;
  const what = count === 1 ? "One count is" : `${count} counts are`;
  fill(banner, [
    `${result.words} ${what} kept on this device and sent as soon as it works. `,
    ...(result.enter ? [{ href: "/enter", words: "Give the code" }] : []),
  ]);
  const again = document.createElement("button");
  again.type = "button";
  again.textContent = "Try now";
  again.addEventListener("click", flush);
  banner.append(again);
  timer = setTimeout(flush, wait);
  wait = Math.min(2 * wait, LONGEST_WAIT_MS);
}

addEventListener("online", () => {
  wait = FIRST_WAIT_MS;
  flush();
});
addEventListener("storage", (event) => {
  if (event.key === BOX) catchUp();
});
showNote();
showKept();
if (posts().length) flush();
