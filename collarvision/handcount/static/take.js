// A photo from the phone to the computer: chosen, sent, read, shown.

import { fill, tellNext } from "./notices.js";
import { renewToken, token } from "./outbox.js";

const FIELD = "collarvision-field-name";
// Of a plant that has a photo already: where it belongs is known.
const of = document.getElementById("take").dataset.of;
const field = document.getElementById("field");
const fresh = document.getElementById("new");
const status = document.getElementById("taking");
const again = document.getElementById("again");
const preview = document.getElementById("preview");
let file = null;

function showNewField() {
  document.getElementById("new-field").hidden = field.value !== "new";
}

function target() {
  if (of) return `/photos?of=${of}`;
  if (field.value !== "new") return `/photos?field=${encodeURIComponent(field.value)}`;
  return `/photos?new=${encodeURIComponent(fresh.value.trim())}`;
}

function hold(words, button, ...more) {
  fill(status, [words, ...more]);
  again.textContent = button;
  again.hidden = false;
}

function request() {
  return fetch(target(), {
    method: "POST",
    headers: { "content-type": "application/octet-stream", "x-collarvision-token": token() },
    body: file,
  });
}

async function sendFile() {
  if (!of && !field.value) {
    hold("Choose the field first, then send: the photo is still here.", "Send");
    field.focus();
    return;
  }
  if (!of && field.value === "new" && !fresh.value.trim()) {
    hold("Name the new field first.", "Send");
    fresh.focus();
    return;
  }
  again.hidden = true;
  status.textContent = "Sending and reading …";
  let answer;
  try {
    answer = await request();
    // The program was started again since this page was loaded. The photo is in this page alone.
    if (answer.status === 403 && (await renewToken())) answer = await request();
  } catch {
    hold("No connection to the computer: the photo is still here.", "Send again");
    return;
  }
  if (answer.status === 401) {
    hold("The photo is still here: keep this page open. ", "Send again", {
      href: "/enter",
      words: "Give the code again in a new tab",
      apart: true,
    }, ", come back here, then send.");
    return;
  }
  if (!answer.ok) {
    hold(await answer.text(), "Send again");
    return;
  }
  const said = await answer.json();
  if (!of) sessionStorage.setItem(FIELD, said.field); // as the survey spells it, not as it was typed
  tellNext([`${said.words} `, { href: "/take", words: "Take the next photo" }]);
  location.assign(said.url);
}

function chosen(event) {
  file = event.target.files[0];
  event.target.value = "";
  if (!file) return;
  if (preview.src) URL.revokeObjectURL(preview.src);
  preview.src = URL.createObjectURL(file);
  preview.hidden = false;
  sendFile();
}

// The next plant is mostly of the same field. By name and for this tab alone: numbers mean other
// fields in another survey, and another day begins in another field.
if (!of) {
  const last = sessionStorage.getItem(FIELD);
  const asked = new URLSearchParams(location.search).has("field");
  const same = [...field.options].find((o) => Number(o.value) && o.textContent === last);
  if (same && !asked) field.value = same.value;
  showNewField();
  field.addEventListener("change", showNewField);
}
document.getElementById("photo").addEventListener("change", chosen);
document.getElementById("stored").addEventListener("change", chosen);
document.getElementById("take").addEventListener("submit", (event) => event.preventDefault());
again.addEventListener("click", sendFile);
