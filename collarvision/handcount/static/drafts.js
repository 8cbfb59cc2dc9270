// Drafts: handles that were moved on this device and not saved yet, by the photo's hash.

const named = (sha256) => `collarvision-draft-${sha256}`;

export function keepDraft(plant, handles) {
  localStorage.setItem(named(plant.sha256), JSON.stringify({ reading: plant.reading, handles }));
}

export function dropDraft(sha256) {
  localStorage.removeItem(named(sha256));
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
