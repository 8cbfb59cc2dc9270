// On every page: who counts, the notice of the page before, and counts that still wait to be sent.

import { dropDraft } from "./drafts.js";
import { showNote, tellNow, fill } from "./notices.js";
import { posts, send } from "./outbox.js";
import "./who.js";

const banner = document.getElementById("post");
const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30000;
let wait = FIRST_WAIT_MS;
let timer = 0;
let busy = false;

// Pages may take over what happens when one of their posts got through.
export const listeners = new Map();

export async function flush() {
  if (busy) return;
  busy = true;
  clearTimeout(timer);
  try {
    for (const post of posts()) {
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
  }
}

function hear(post, result) {
  const listener = listeners.get(post.key);
  if (listener) {
    listeners.delete(post.key);
    listener(result);
  } else if (result.state === "done") {
    dropDraft(post.url.split("/")[2]);
    tellNow([`Sent: ${post.label}.`]);
  } else {
    tellNow([`Not stored: ${post.label}. ${result.words}`]);
  }
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
showNote();
if (posts().length) flush();
