// List: the handles in words, each a button; and the tools for the chosen one.

import { sample } from "./draw.js";
import { inOrder, name } from "./marks.js";

const get = (id) => document.getElementById(id);

export function showList(marks, reveal) {
  const list = get("handles");
  const focused = list.contains(document.activeElement) ? document.activeElement.dataset.id : null;
  list.replaceChildren(
    ...inOrder(marks.handles).map((handle) => {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.id = handle.id;
      button.setAttribute("aria-pressed", String(handle.id === marks.selected));
      button.append(sample(handle), name(handle));
      button.addEventListener("click", () => {
        marks.choose(handle.id === marks.selected ? null : handle.id);
        reveal();
      });
      const item = document.createElement("li");
      item.append(button);
      return item;
    }),
  );
  if (!marks.handles.length) {
    const item = document.createElement("li");
    item.textContent = "None: add a collar, or type a count.";
    list.append(item);
  }
  if (focused) list.querySelector(`[data-id="${focused}"]`)?.focus({ preventScroll: true });
}

export function showChosen(handle) {
  get("chosen").hidden = handle === null;
  if (!handle) return;
  get("what").textContent = name(handle);
  const ofLeaf = ["collar", "tip"].includes(handle.part);
  for (const id of ["less", "more"]) get(id).hidden = !ofLeaf;
  get("lost").hidden = handle.rank === null || handle.lost;
  get("hidden").hidden = !ofLeaf;
  get("hidden").setAttribute("aria-pressed", String(handle.occluded));
  get("round").hidden = handle.part !== "tip";
  get("round").setAttribute("aria-pressed", String(handle.rounded));
}
