// A photo from the phone to the computer: chosen, sent, read, shown.

import { token } from "./outbox.js";
import { tellNext } from "./notices.js";

const FIELD = "collarvision-field";
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
  if (field.value !== "new") return `/photos?field=${encodeURIComponent(field.value)}`;
  return `/photos?new=${encodeURIComponent(fresh.value.trim())}`;
}

async function sendFile() {
  if (field.value === "new" && !fresh.value.trim()) {
    status.textContent = "Name the new field first.";
    again.hidden = false;
    fresh.focus();
    return;
  }
  again.hidden = true;
  status.textContent = "Sending and reading …";
  let answer;
  try {
    answer = await fetch(target(), {
      method: "POST",
      headers: { "content-type": "application/octet-stream", "x-collarvision-token": token() },
      body: file,
    });
  } catch {
    status.textContent = "No connection to the computer: the photo is still here.";
    again.hidden = false;
    return;
  }
  if (!answer.ok) {
    status.textContent = await answer.text();
    again.hidden = false;
    return;
  }
  const said = await answer.json();
  if (field.value !== "new") localStorage.setItem(FIELD, field.value);
  tellNext(["Filed. ", { href: "/take", words: "Take the next photo" }]);
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

const last = localStorage.getItem(FIELD);
const asked = new URLSearchParams(location.search).has("field");
if (last && !asked && [...field.options].some((o) => o.value === last)) field.value = last;
showNewField();
field.addEventListener("change", showNewField);
document.getElementById("photo").addEventListener("change", chosen);
document.getElementById("stored").addEventListener("change", chosen);
document.getElementById("take").addEventListener("submit", (event) => event.preventDefault());
again.addEventListener("click", sendFile);
