// Notices: a sentence that outlives the way to the next page.

const NOTE = "collarvision-note";

export function tellNext(parts) {
  sessionStorage.setItem(NOTE, JSON.stringify(parts));
}

// Parts are words, or {href, words} for a link, with `apart` in a tab of its own; everything goes in
// as text.
export function fill(element, parts) {
  element.replaceChildren(
    ...parts.map((part) => {
      if (typeof part === "string") return document.createTextNode(part);
      const link = document.createElement("a");
      link.href = part.href;
      link.textContent = part.words;
      if (part.apart) link.target = "_blank";
      return link;
    }),
  );
  element.hidden = parts.length === 0;
}

export function tellNow(parts) {
  fill(document.getElementById("notice"), parts);
}

export function showNote() {
  const said = sessionStorage.getItem(NOTE);
  if (!said) return;
  sessionStorage.removeItem(NOTE);
  tellNow(JSON.parse(said));
}
