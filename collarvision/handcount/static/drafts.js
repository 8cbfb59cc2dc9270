// Drafts: handles that were moved on this device and not saved yet, by survey and the photo's hash.

import { survey } from "./outbox.js";

const named = (sha256) => `collarvision-draft-${survey}-${sha256}`;

export function keepDraft(plant, handles) {
  localStorage.setItem(named(plant.sha256), JSON.stringify({ reading: plant.reading, handles }));
}

export function dropDraft(sha256) {
  localStorage.removeItem(named(sha256));
}

// As it is kept, to tell later whether it has changed; null if there is none.
export function draftText(sha256) {
  return localStorage.getItem(named(sha256));
}

// null if there are none, or they belong to an earlier reading.
export function readDraft(plant) {
  try {
    const draft = JSON.parse(localStorage.getItem(named(plant.sha256)));
    return draft && draft.reading === plant.reading ? draft.handles : null;
  } catch {
    return null;
  }
}
