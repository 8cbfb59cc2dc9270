// Draw: the handles over the photo. A mark at the exact place, and a tag beside it to hold on to,
// so that neither mark nor finger covers what is looked at.

import { inOrder } from "./marks.js";

const SVG = "http://www.w3.org/2000/svg";
const TAG = 13;
const LEAD = 38;
const SOIL_HALF = 46;

function make(kind, attributes, words) {
  const element = document.createElementNS(SVG, kind);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (words !== undefined) element.textContent = words;
  return element;
}

// Screen places of each handle and its tag, {handle, at, tag}, in an order fit for drawing.
export function layout(handles, view) {
  const seen = inOrder(handles).filter((h) => h.x !== null);
  const tips = new Map(seen.filter((h) => h.part === "tip").map((h) => [h.rank, h]));
  const places = [];
  for (const handle of seen) {
    const at = view.toScreen(handle);
    let side = 1;
    if (handle.part === "collar") {
      // To the side where its leaf isn't; leaves alternate where no tip tells.
      const tip = tips.get(handle.rank);
      side = tip ? (tip.x > handle.x ? -1 : 1) : handle.rank % 2 ? 1 : -1;
    } else if (handle.part === "tip") {
      side = 0;
    } else if (handle.part === "soil") {
      side = -1;
    }
    const tag = { x: at.x + side * LEAD, y: at.y - (side ? 0 : LEAD - 8) };
    keepApart(tag, places, side);
    places.push({ handle, at, tag });
  }
  return places;
}

// Tags of close collars would lie on each other: the later one goes further out.
function keepApart(tag, places, side) {
  for (let tries = 0; tries < 6; tries += 1) {
    const near = places.some(
      (p) =>
        Math.hypot(p.tag.x - tag.x, p.tag.y - tag.y) < 2 * TAG + 2 ||
        Math.hypot(p.at.x - tag.x, p.at.y - tag.y) < TAG + 9,
    );
    if (!near) return;
    if (side) tag.x += side * (2 * TAG + 4);
    else tag.y -= 2 * TAG + 4;
  }
}

// The handle whose mark or tag is nearest, within reach; the chosen one is preferred.
export function nearest(places, x, y, reach, selected) {
  let best = null;
  let least = reach;
  for (const { handle, at, tag } of places) {
    const away = Math.min(Math.hypot(at.x - x, at.y - y), Math.hypot(tag.x - x, tag.y - y));
    const felt = handle.id === selected ? 0.6 * away : away;
    if (felt < least) [best, least] = [handle.id, felt];
  }
  return best;
}

export function draw(svg, places, selected) {
  const nodes = [...bones(places)];
  for (const place of places) nodes.push(...lead(place));
  for (const place of places) nodes.push(...mark(place));
  for (const place of places) nodes.push(...tag(place));
  const chosen = places.find((p) => p.handle.id === selected);
  if (chosen) {
    for (const kind of ["ring-rim", "ring"]) {
      nodes.push(make("circle", { class: kind, cx: chosen.at.x, cy: chosen.at.y, r: 19 }));
    }
  }
  svg.replaceChildren(...nodes);
}

function bones(places) {
  const tips = new Map(
    places.filter((p) => p.handle.part === "tip").map((p) => [p.handle.rank, p.at]),
  );
  return places
    .filter((p) => p.handle.part === "collar" && tips.has(p.handle.rank))
    .map(({ handle, at }) => {
      const to = tips.get(handle.rank);
      return make("line", { class: "bone", x1: at.x, y1: at.y, x2: to.x, y2: to.y });
    });
}

// From the mark's edge, so that the place itself stays in sight.
function lead({ at, tag }) {
  const far = Math.hypot(tag.x - at.x, tag.y - at.y) || 1;
  const [x1, y1] = [at.x + (9 / far) * (tag.x - at.x), at.y + (9 / far) * (tag.y - at.y)];
  return ["lead-rim", "lead"].map((kind) =>
    make("line", { class: kind, x1, y1, x2: tag.x, y2: tag.y }),
  );
}

function mark({ handle, at }) {
  const dashed = handle.occluded ? " dashed" : "";
  return ["rim", "light", handle.part].map((kind) => {
    if (kind !== handle.part) return shape(handle, at.x, at.y, kind);
    const node = shape(handle, at.x, at.y, kind + dashed);
    node.dataset.handle = handle.rank === null ? handle.part : `${handle.part}-${handle.rank}`;
    node.dataset.at = `${at.x},${at.y}`;
    return node;
  });
}

function shape(handle, x, y, look) {
  if (handle.part === "soil") {
    const [x1, x2] = [x - SOIL_HALF, x + SOIL_HALF];
    return make("line", { class: `${look} dashed`, x1, y1: y, x2, y2: y });
  }
  if (handle.part === "collar" || handle.rounded) {
    return make("circle", { class: look, cx: x, cy: y, r: handle.rounded ? 8 : 7 });
  }
  const points =
    handle.part === "tip"
      ? [[x, y - 9], [x + 9, y + 7], [x - 9, y + 7]]
      : [[x, y - 10], [x + 10, y], [x, y + 10], [x - 10, y]];
  return make("polygon", { class: look, points: points.map((p) => p.join(",")).join(" ") });
}

function tag({ handle, tag: at }) {
  const hidden = handle.occluded ? " is-hidden" : "";
  const words = { soil: "soil", arch: "top" }[handle.part] || String(handle.rank ?? "?");
  const wide = words.length > 2 ? 20 : TAG;
  const box = {
    class: `tag of-${handle.part}${hidden}`,
    x: at.x - wide,
    y: at.y - TAG,
    width: 2 * wide,
    height: 2 * TAG,
    rx: handle.part === "collar" ? TAG : 4,
  };
  return [make("rect", box), make("text", { class: `number${hidden}`, x: at.x, y: at.y }, words)];
}

// A small picture of a handle for the list.
export function sample(handle) {
  const svg = make("svg", { viewBox: "0 0 26 26", "aria-hidden": "true" });
  if (handle.part === "leaf") {
    for (const kind of ["rim", "light"]) {
      svg.append(make("path", { class: kind, d: "M5 5L21 21M21 5L5 21" }));
    }
    return svg;
  }
  svg.append(...mark({ handle, at: { x: 13, y: 13 } }));
  return svg;
}

// What lies under the finger, enlarged, in the corner away from it.
export function drawLoupe(canvas, image, size, point, view, finger) {
  const context = canvas.getContext("2d");
  const [w, h] = [canvas.width, canvas.height];
  const zoom = Math.max(2.5 * view.scale, 1.5);
  const [from, to] = [image.naturalWidth / size[0], image.naturalHeight / size[1]];
  context.fillStyle = "#23282c";
  context.fillRect(0, 0, w, h);
  const [left, top] = [point.x - w / 2 / zoom, point.y - h / 2 / zoom];
  context.drawImage(image, left * from, top * to, (w / zoom) * from, (h / zoom) * to, 0, 0, w, h);
  for (const [colour, thick] of [["#000", 4], ["#fff", 2]]) {
    context.strokeStyle = colour;
    context.lineWidth = thick;
    context.beginPath();
    context.arc(w / 2, h / 2, 8, 0, 7);
    context.stroke();
  }
  canvas.classList.toggle("right", finger.x < view.width / 2);
  canvas.hidden = false;
}
