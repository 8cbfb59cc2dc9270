// Outbox: what was saved but not yet acknowledged, kept on this device until the server has it.
// Every post carries a key of its own, so that sending it twice stores it once, and the survey that
// it is for: another one may be served at the same address.

export const BOX = "collarvision-outbox";
const LONGEST_S = 30 * 86400; // the computer takes no longer wait
const open = document.querySelector("meta[name=survey]");
export const survey = open.content;

export function newKey() {
  // Not crypto.randomUUID: browsers have that on https and localhost only.
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

function all() {
  try {
    return JSON.parse(localStorage.getItem(BOX)) || [];
  } catch {
    return [];
  }
}

function isOurs(post) {
  return post.survey === undefined || post.survey === survey;
}

// Those that wait to be sent to the survey that is open.
export function posts() {
  return all().filter((p) => isOurs(p) && p.refused === undefined);
}

// Those that this survey refused, and those that wait for another one.
export function leftOver() {
  return all().filter((p) => isOurs(p) === (p.refused !== undefined));
}

// The last count of a plant that was typed and refused, to be put right; undefined if there is none.
export function refusedCount(sha256) {
  const typed = (p) => ["on-plant", "split-stalk"].includes(p.body.way);
  const ofPlant = (p) => isOurs(p) && p.refused !== undefined && p.url.split("/")[2] === sha256;
  return all().filter((p) => ofPlant(p) && typed(p)).pop();
}

export function isForAnother(post) {
  return !isOurs(post);
}

function store(list) {
  localStorage.setItem(BOX, JSON.stringify(list));
}

export function put(post) {
  const named = { ...post, survey, surveyName: open.dataset.name };
  store([...all().filter((p) => p.key !== post.key), named]);
}

export function drop(key) {
  store(all().filter((p) => p.key !== key));
}

// A refused post stays until a person has seen it: nobody else knows of that count.
function refuse(key, words) {
  store(all().map((p) => (p.key === key ? { ...p, refused: words } : p)));
}

export function token() {
  return document.querySelector("meta[name=token]").content;
}

// For a page that outlived the program: it knows another token since it was started again.
export async function renewToken() {
  const answer = await fetch("/token", { cache: "no-store" });
  if (!answer.ok) return false;
  document.querySelector("meta[name=token]").content = (await answer.json()).token;
  return true;
}

// Sends one post. Gives {state: "done", answer}, {state: "refused", words}, or, where it may work
// later, {state: "waiting", words}.
export async function send(post) {
  let answer;
  try {
    answer = await request(post);
    if (answer.status === 403 && (await renewToken())) answer = await request(post);
  } catch {
    return { state: "waiting", words: "No connection to the computer." };
  }
  if (answer.ok) {
    const said = await answer.json().catch(() => null);
    if (said === null) return { state: "waiting", words: "The answer got lost on its way." };
    drop(post.key);
    return { state: "done", answer: said };
  }
  const words = (await answer.text().catch(() => "")).slice(0, 300);
  if (answer.status === 401) {
    return { state: "waiting", words: "Give the code again, then this is sent.", enter: true };
  }
  if (answer.status >= 500 || answer.status === 403) {
    return { state: "waiting", words: words || "The computer can't store it now." };
  }
  refuse(post.key, words);
  return { state: "refused", words };
}

// How long a post was kept here, in s. A difference of one clock, which may be wrong; none where
// the post doesn't say since when.
function waited(post) {
  const seconds = (Date.now() - (post.made ?? Date.now())) / 1000;
  return Math.min(Math.max(seconds, 0), LONGEST_S);
}

function request(post) {
  return fetch(post.url, {
    method: "POST",
    headers: { "content-type": "application/json", "x-collarvision-token": token() },
    body: JSON.stringify({
      ...post.body,
      waited_s: waited(post),
      shown_at: post.shownAt,
      after: post.after,
    }),
    signal: AbortSignal.timeout ? AbortSignal.timeout(20000) : undefined,
  });
}
