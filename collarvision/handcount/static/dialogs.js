// Dialogs: a count typed, nothing to count, help.

import { keysOn, setKeys } from "./keys.js";

const UNIT = "collarvision-unit";
const MM = { in: 25.4, cm: 10 };
const get = (id) => document.getElementById(id);

// Until the end of the last dialog was heard. A key may come before that, once it is closed: what
// was typed is still to be read, and its end isn't that of the next one.
let heard = Promise.resolve();

function opened(dialog) {
  dialog.returnValue = "";
  dialog.showModal();
  heard = new Promise((done) => {
    dialog.addEventListener("close", () => done(dialog.returnValue), { once: true });
  });
  return heard;
}

async function mayOpen() {
  await heard;
  return !document.querySelector("dialog[open]");
}

function readTyped(form) {
  const split = form.way.value === "split-stalk";
  const text = (split ? form.nodes : form.collars).value.trim();
  const number = Number(text);
  const [low, high] = split ? [1, 18] : [0, 22];
  const height = form.height.value.trim().replace(",", ".");
  if (text === "" || !Number.isInteger(number) || number < low || number > high) {
    const what = split ? "nodes that stand apart" : "collars";
    return { problem: `Give the number of ${what}, ${low} to ${high}.` };
  }
  if (height !== "" && !(Number(height) > 0 && Number.isFinite(Number(height)))) {
    return { problem: "Give the height as a number over 0, or leave it empty." };
  }
  const body = { way: form.way.value, [split ? "nodes" : "stage"]: number };
  if (height) {
    body.height_mm = Number(height) * MM[form.unit.value];
    body.unit = form.unit.value;
  }
  if (form.note.value.trim()) body.note = form.note.value.trim();
  return { body };
}

// What was typed before and refused, as it stood in the form.
function fillIn(form, body) {
  form.way.value = body.way;
  form.collars.value = body.stage ?? "";
  form.nodes.value = body.nodes ?? "";
  form.unit.value = body.unit ?? form.unit.value;
  const height = (body.height_mm ?? 0) / MM[form.unit.value];
  form.height.value = height ? Number(height.toPrecision(6)) : "";
  form.note.value = body.note ?? "";
}

// Gives what was typed, as the body of a save, or null. `refused` is a post to put right, if any.
export async function askCount(refused) {
  if (!(await mayOpen())) return null;
  const form = get("type-form");
  form.reset();
  form.unit.value = localStorage.getItem(UNIT) || "in";
  if (refused) fillIn(form, refused.body);
  get("type-problem").textContent = refused ? refused.refused : "";
  showWay(form);
  const closed = opened(get("type-dialog"));
  (form.way.value === "split-stalk" ? form.nodes : form.collars).focus();
  if ((await closed) !== "ok") return null;
  localStorage.setItem(UNIT, form.unit.value);
  return readTyped(form).body;
}

function showWay(form) {
  const split = form.way.value === "split-stalk";
  get("by-collars").hidden = split;
  get("by-nodes").hidden = !split;
}

export async function askAside() {
  if (!(await mayOpen())) return null;
  const said = await opened(get("aside-dialog"));
  return said && said !== "cancel" ? said : null;
}

export async function help() {
  if (!(await mayOpen())) return;
  const box = get("keys-on");
  box.checked = keysOn();
  await opened(get("help-dialog"));
  setKeys(box.checked);
}

export function setUp() {
  const form = get("type-form");
  for (const radio of form.way) radio.addEventListener("change", () => showWay(form));
  form.addEventListener("submit", (event) => {
    if (event.submitter && event.submitter.value === "cancel") return;
    const { problem } = readTyped(form);
    if (!problem) return;
    event.preventDefault();
    get("type-problem").textContent = problem;
  });
}
