// The page of one plant: everything is tied together here.

import { askAside, askCount, help, setUp } from "./dialogs.js";
import { dropDraft, keepDraft, readDraft } from "./drafts.js";
import { draw, drawLoupe, layout, nearest } from "./draw.js";
import { showList, showChosen } from "./list.js";
import { listen } from "./keys.js";
import { Marks, problemsOf, stageName, stageOf } from "./marks.js";
import { heightMm, inWords } from "./ruler.js";
import { refusedCount } from "./outbox.js";
import { begin, save } from "./saving.js";
import { View } from "./view.js";
import { askWho } from "./who.js";

const get = (id) => document.getElementById(id);
const plant = JSON.parse(get("plant").dataset.plant);
const size = plant.size || [1, 1];
const image = get("photo");
const FULL_FROM = 1.2; // screen px a px of the small picture
const TOOLS_PX = 74;
const LEAST_VIEW_PX = 300;
const SAME_MM = 1;
const LOOK_MS = 600;
const AGAIN_MS = 3000;
const narrow = matchMedia("(max-width: 899px)");
let places = [];
let spokenTimer = 0;
let seen = false; // the photo has stood here long enough to be looked at
let gone = false; // there is no photo to be looked at

const marks = new Marks(plant.handles, changed);
const view = new View(get("view"), size, {
  grab: (x, y, reach) => nearest(places, x, y, reach, marks.selected),
  dragStart: (id) => {
    marks.remember();
    marks.choose(id);
  },
  drag: (id, dx, dy, finger, touch) => {
    const handle = marks.handles.find((h) => h.id === id);
    const [x, y] = [handle.x + dx, handle.y + dy];
    marks.moveTo(id, Math.min(Math.max(x, 0), size[0]), Math.min(Math.max(y, 0), size[1]));
    if (touch && image.complete) drawLoupe(get("loupe"), image, size, handle, view, finger);
  },
  dragEnd: (id, cancelled) => {
    get("loupe").hidden = true;
    if (cancelled) marks.undo();
    else changed("Moved");
  },
  tap: tapped,
  draw: redraw,
});
let placing = false; // a handle was just added by a button: a tap says where

function tapped(id, x, y) {
  if (placing && id !== marks.selected && marks.chosen) {
    marks.moveTo(marks.selected, x, y);
    changed("Placed");
  } else {
    marks.choose(id);
    reveal();
  }
  placing = false;
}

function reveal() {
  const handle = marks.chosen;
  // On a small phone the reasons make room once the work begins.
  if (handle && narrow.matches && get("view").getBoundingClientRect().bottom > innerHeight) {
    document.querySelector(".readout").scrollIntoView({ block: "start" });
  }
  if (handle && handle.x !== null) view.reveal(handle, get("chosen").offsetHeight);
}

function redraw() {
  const ratio = (view.scale * size[0]) / (image.naturalWidth || size[0]);
  image.style.width = `${size[0]}px`;
  image.style.height = `${size[1]}px`;
  image.style.transform = `translate(${view.x}px, ${view.y}px) scale(${view.scale})`;
  if (ratio * devicePixelRatio > FULL_FROM) loadFull();
  places = layout(marks.handles, view);
  draw(get("drawn"), places, marks.selected);
}

function changed(words) {
  const stage = stageOf(marks.handles);
  const [soil, arch] = ["soil", "arch"].map((part) => marks.handles.find((h) => h.part === part));
  const height = heightMm(plant.ruler, soil, arch);
  const problem = problemsOf(marks.handles, plant.size)[0] || "";
  const marked = marks.handles.some((h) => ["collar", "tip", "leaf"].includes(h.part));
  // The program's own doubt stays at its sight until a person has set it right.
  const doubt = plant.doubtful && !marks.touched ? "?" : "";
  const unmoved = height && Math.abs(height - plant.heightMm) < SAME_MM;
  // What lists don't even show for a stage isn't shown here, nor is it there to agree with.
  const hidden = plant.wild && !marks.touched;
  get("stage").textContent = marked && !hidden ? stageName(stage) + doubt : "–";
  get("height").textContent = height ? inWords(height) + (unmoved && plant.heightDoubtful ? "?" : "") : plant.ruler ? "no height" : "no card, no height";
  get("trouble").textContent = problem;
  get("undo").disabled = marks.past.length === 0;
  const saving = get("save");
  saving.textContent = marked ? `Save ${stageName(stage)}` : "Save";
  saving.disabled = !marked || problem !== "" || gone;
  saving.classList.toggle("main", marks.touched && !gone);
  get("agree").classList.toggle("main", !marks.touched && !plant.wild && !gone);
  get("agree").disabled = plant.stage === null || gone;
  get("type").classList.toggle("main", gone);
  get("found").disabled = !marks.handles.some((h) => h.lost);
  showChosen(marks.chosen);
  if (words !== null) {
    showList(marks, reveal);
    if (marks.touched) keepDraft(plant, marks.plain());
    else dropDraft(plant.sha256);
    speak([words, get("stage").textContent, get("height").textContent, problem]);
  }
  view.changed();
}

// For who can't see it; not with every pixel that something moves.
function speak(parts) {
  clearTimeout(spokenTimer);
  if (!parts[0]) return;
  spokenTimer = setTimeout(() => {
    get("spoken").textContent = parts.filter(Boolean).join(". ");
  }, 250);
}

let fullAsked = false;
function loadFull() {
  if (fullAsked || !image.naturalWidth || image.naturalWidth >= size[0]) return;
  fullAsked = true;
  const full = new Image();
  full.addEventListener("load", () => {
    image.src = full.src;
  });
  full.src = `/photos/${plant.sha256}/full`;
}

function plantBox() {
  const points = marks.handles.filter((h) => h.x !== null);
  if (points.length < 2) return [0, 0, ...size];
  const xs = points.map((p) => p.x);
  const ys = points.map((p) => p.y);
  const room = 0.12 * Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys));
  return [
    Math.max(0, Math.min(...xs) - room),
    Math.max(0, Math.min(...ys) - room),
    Math.min(size[0], Math.max(...xs) + room),
    Math.min(size[1], Math.max(...ys) + room),
  ];
}

let showsWhole = false;
function showAll() {
  showsWhole = !showsWhole;
  if (showsWhole) view.whole();
  else view.show(plantBox());
}

function openAdd(open) {
  get("adding").hidden = !open;
  get("add").setAttribute("aria-expanded", String(open));
}

function add(part, at, byButton) {
  openAdd(false);
  if (part === "leaf") {
    marks.choose(null);
    marks.lose();
    return;
  }
  marks.add(part, at.x, at.y);
  placing = byButton;
  get("view").focus({ preventScroll: true });
}

function arrow(dx, dy, far) {
  const handle = marks.chosen;
  const onPhoto = document.activeElement === get("view");
  if (handle && handle.x !== null) {
    const step = far ? 10 : 1;
    marks.remember();
    marks.moveTo(
      handle.id,
      Math.min(Math.max(handle.x + step * dx, 0), size[0]),
      Math.min(Math.max(handle.y + step * dy, 0), size[1]),
    );
    reveal();
    changed("Moved");
    return true;
  }
  if (!onPhoto) return false;
  view.pan(-60 * dx, -60 * dy);
  return true;
}

function choose(step) {
  marks.chooseNext(step);
  reveal();
}

// A double click's second half, or a key held from the page before, is no count of this plant.
function mayCount() {
  return seen && !gone;
}

function saveAgreed() {
  save({ way: "agreed" }, stageName(plant.stage));
}

function agree() {
  if (plant.stage === null || plant.wild || !mayCount()) return;
  saveAgreed();
}

function saveMarks() {
  if (get("save").disabled || !mayCount()) return;
  // Untouched handles that say the program's stage are agreement, however they are saved.
  if (!marks.touched && plant.agreesWithMarks) saveAgreed();
  else save({ way: "marked", handles: marks.plain() }, stageName(stageOf(marks.handles)));
}

async function typeCount() {
  const refused = refusedCount(plant.sha256);
  const body = await askCount(refused);
  if (!body) return;
  const words = "stage" in body ? stageName(body.stage) : body.nodes === 1 ? "1 node" : `${body.nodes} nodes`;
  save(body, words, "counts", refused ? refused.key : null);
}

async function setAside() {
  const reason = await askAside();
  if (reason) save({ reason }, "set aside", "aside");
}

function startFrom(id) {
  const marking = plant.markings.find((m) => String(m.id) === id);
  marks.replaceAll(marking ? marking.handles : plant.handles);
}

const acts = {
  a: agree,
  s: saveMarks,
  n: () => choose(1),
  p: () => choose(-1),
  c: () => add("collar", view.here, false),
  t: () => add("tip", view.here, false),
  g: () => add("soil", view.here, false),
  r: () => add("arch", view.here, false),
  l: () => marks.lose(),
  k: () => marks.find(),
  h: () => marks.toggle("occluded"),
  f: () => marks.toggle("rounded"),
  b: () => marks.renumber(),
  u: () => marks.undo(),
  y: () => marks.redo(),
  e: typeCount,
  x: setAside,
  j: () => get("skip").click(),
  w: () => askWho(),
  "[": () => marks.step(-1),
  "]": () => marks.step(1),
  "+": () => view.zoom(1.4),
  "=": () => view.zoom(1.4),
  "-": () => view.zoom(1 / 1.4),
  0: showAll,
  "?": () => help(),
  Delete: () => marks.remove(),
  Backspace: () => marks.remove(),
  Escape: () => marks.choose(null),
  digit: (n) => marks.setRank(n),
  arrow,
};

const buttons = {
  agree,
  save: saveMarks,
  undo: acts.u,
  less: acts["["],
  more: acts["]"],
  hidden: acts.h,
  lost: acts.l,
  round: acts.f,
  delete: acts.Delete,
  renumber: acts.b,
  found: acts.k,
  type: typeCount,
  aside: setAside,
  help: acts["?"],
  "zoom-in": acts["+"],
  "zoom-out": acts["-"],
  "zoom-all": showAll,
  add: () => openAdd(get("adding").hidden),
};

for (const [id, act] of Object.entries(buttons)) get(id).addEventListener("click", act);
for (const button of document.querySelectorAll("[data-add]")) {
  button.addEventListener("click", () => add(button.dataset.add, view.middle, true));
}
get("from").addEventListener("change", (event) => startFrom(event.target.value));
get("drop").addEventListener("click", () => {
  get("draft").hidden = true;
  fitView();
  startFrom("");
  dropDraft(plant.sha256);
});
get("agree").textContent = plant.stage === null || plant.wild ? "Agree" : `Agree ${stageName(plant.stage)}`;
setUp();
listen(acts);

// Beside the photo there is room for every reason; above it they'd push it off the screen.
function unfold() {
  const further = get("further");
  if (further) further.open = !narrow.matches;
}
narrow.addEventListener("change", unfold);
unfold();

// On a phone the photo takes what the reasons above and the tools below leave of the screen.
function fitView() {
  const box = get("view");
  const free = innerHeight - (box.getBoundingClientRect().top + scrollY) - TOOLS_PX;
  box.style.height = narrow.matches ? `${Math.max(free, LEAST_VIEW_PX)}px` : "";
}
addEventListener("resize", fitView);
fitView();

image.addEventListener("load", redraw);
image.addEventListener(
  "load",
  () => {
    setTimeout(() => {
      seen = true;
      document.documentElement.dataset.seen = "yes";
    }, LOOK_MS);
  },
  { once: true },
);

// Over a weak network a photo may come at a later try; where it isn't any more, none would help.
let again = 0;
function loadPhoto() {
  clearTimeout(again);
  again = 0;
  image.src = `/photos/${plant.sha256}/page`;
}
function showGone(id) {
  gone = id !== null;
  for (const one of ["gone", "later"]) get(one).hidden = one !== id;
  image.hidden = gone;
  changed(null);
}
image.addEventListener("load", () => {
  if (gone) showGone(null);
});
image.addEventListener("error", async () => {
  showGone("later");
  const answer = await fetch(image.src).catch(() => null);
  if (answer !== null && answer.status === 404) showGone("gone");
  else again = setTimeout(loadPhoto, AGAIN_MS);
});
addEventListener("online", () => {
  if (again) loadPhoto();
});
loadPhoto();
const draft = readDraft(plant);
if (draft) {
  marks.replaceAll(draft);
  marks.past = [];
  get("draft").hidden = false;
  fitView();
}
begin(plant, marks);
view.show(plantBox());
changed("");
// For tests and for the curious: what stands on the page.
document.documentElement.dataset.ready = "yes";
