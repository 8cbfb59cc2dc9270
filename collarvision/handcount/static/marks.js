// Marks: the handles of one plant, what can be done to them, and the count they come to.
// The rules are those of collarvision/handles.py, which checks them again when they are saved.

export const HIGHEST_RANK = 22;
const NUMBERED = ["collar", "tip"];
const MOST_UNDO = 200;

export class Marks {
  constructor(handles, changed) {
    this.changed = changed;
    this.past = [];
    this.future = [];
    this.selected = null;
    this.load(handles);
  }

  load(handles) {
    this.count = 0;
    this.handles = handles.map((h) => ({ ...h, id: ++this.count }));
    this.start = this.print();
  }

  // What would be saved, without the page's own numbers.
  plain() {
    return this.handles.map(({ id, ...handle }) => handle);
  }

  print() {
    return JSON.stringify(this.plain());
  }

  get touched() {
    return this.print() !== this.start;
  }

  get chosen() {
    return this.handles.find((h) => h.id === this.selected) || null;
  }

  choose(id) {
    this.selected = id;
    this.changed("");
  }

  // Goes round the handles that have a place, from the bottom up.
  chooseNext(step) {
    const order = inOrder(this.handles).filter((h) => h.x !== null);
    if (!order.length) return;
    const at = order.findIndex((h) => h.id === this.selected);
    const next = at < 0 ? (step > 0 ? 0 : order.length - 1) : at + step;
    this.selected = order[(next + order.length) % order.length].id;
    this.changed(`${name(this.chosen)} chosen`);
  }

  // Remembers how things are, before they change.
  remember() {
    this.past.push(JSON.stringify(this.handles));
    if (this.past.length > MOST_UNDO) this.past.shift();
    this.future = [];
  }

  replaceAll(handles) {
    this.remember();
    this.handles = handles.map((h) => ({ ...h, id: ++this.count }));
    this.selected = null;
    this.changed("Handles replaced");
  }

  undo() {
    this.travel(this.past, this.future, "Undone");
  }

  redo() {
    this.travel(this.future, this.past, "Done again");
  }

  travel(from, to, words) {
    if (!from.length) return;
    to.push(JSON.stringify(this.handles));
    this.handles = JSON.parse(from.pop());
    if (!this.chosen) this.selected = null;
    this.changed(words);
  }

  // While a finger drags, many of these follow one `remember`.
  moveTo(id, x, y) {
    const handle = this.handles.find((h) => h.id === id);
    handle.x = x;
    handle.y = y;
    this.changed(null);
  }

  add(part, x, y) {
    this.remember();
    let handle = this.handles.find((h) => h.part === part && (part === "soil" || part === "arch"));
    if (handle) {
      Object.assign(handle, { x, y });
    } else {
      const rank = part === "collar" ? this.rankAt(x, y) : part === "tip" ? this.freeTip() : null;
      if (part === "collar" && this.has("collar", rank)) this.shift(rank, 1);
      handle = { part, x, y, rank, occluded: false, lost: false, rounded: false, id: ++this.count };
      this.handles.push(handle);
    }
    this.selected = handle.id;
    this.changed(`${name(handle)} added`);
  }

  remove() {
    const handle = this.chosen;
    if (!handle) return;
    this.remember();
    this.handles = this.handles.filter((h) => h !== handle);
    this.selected = null;
    this.changed(`${name(handle)} deleted`);
  }

  toggle(property) {
    const handle = this.chosen;
    if (!handle || (property === "rounded" && handle.part !== "tip")) return;
    if (property === "occluded" && !["collar", "tip"].includes(handle.part)) return;
    this.remember();
    handle[property] = !handle[property];
    if (property === "rounded" && handle.rounded) handle.rank = 1;
    this.changed(name(handle));
  }

  // One higher or lower: a collar takes every leaf above it along, a tip goes alone.
  step(by) {
    const handle = this.chosen;
    if (!handle || !NUMBERED.includes(handle.part)) return;
    const rank = handle.rank === null ? this.freeTip() : handle.rank + by;
    if (rank < 1 || rank > HIGHEST_RANK) return;
    this.remember();
    if (handle.part === "collar" && !(by < 0 && this.has("collar", rank))) this.shift(handle.rank, by);
    else handle.rank = rank;
    this.changed(name(handle));
  }

  setRank(rank) {
    const handle = this.chosen;
    if (!handle || !NUMBERED.includes(handle.part)) return;
    this.remember();
    handle.rank = rank;
    this.changed(name(handle));
  }

  // The chosen handle's leaf is gone; without one, the lowest leaf that nothing tells of is.
  lose() {
    const handle = this.chosen;
    this.remember();
    let rank;
    if (handle && handle.rank !== null) {
      rank = handle.rank;
      this.handles = this.handles.filter((h) => h.rank !== rank);
    } else {
      rank = 1;
      while (this.has("leaf", rank)) rank += 1;
      if (this.has("collar", rank) || this.has("tip", rank)) this.shift(rank, 1);
    }
    const lost = { part: "leaf", x: null, y: null, rank, occluded: false, lost: true, rounded: false };
    this.handles.push({ ...lost, id: ++this.count });
    // The round tip is leaf 1's alone: without that leaf, what looked round wasn't.
    if (this.has("leaf", 1)) this.handles.forEach((h) => (h.rounded = false));
    this.selected = null;
    this.changed(`Leaf ${rank} lost`);
  }

  find() {
    const lost = this.handles.filter((h) => h.lost).sort((a, b) => b.rank - a.rank)[0];
    if (!lost) return;
    this.remember();
    this.handles = this.handles.filter((h) => h !== lost);
    this.shift(lost.rank + 1, -1);
    this.changed("One lost leaf less");
  }

  // Lost leaves lowest, then the collars in their order up the stalk; tips keep to their collars.
  renumber() {
    this.remember();
    const lost = this.handles.filter((h) => h.lost).sort((a, b) => a.rank - b.rank);
    const up = this.up();
    const collars = this.handles
      .filter((h) => h.part === "collar")
      .sort((a, b) => up(a) - up(b));
    const top = Math.max(0, ...collars.map((h) => h.rank));
    const became = new Map(collars.map((h, i) => [h.rank, lost.length + i + 1]));
    const more = lost.length + collars.length - top;
    for (const tip of this.handles.filter((h) => h.part === "tip" && h.rank !== null)) {
      if (became.has(tip.rank)) tip.rank = became.get(tip.rank);
      else if (tip.rank > top) tip.rank = Math.max(1, tip.rank + more);
    }
    lost.forEach((h, i) => (h.rank = i + 1));
    collars.forEach((h, i) => (h.rank = lost.length + i + 1));
    this.changed("Numbered from the bottom");
  }

  has(part, rank) {
    return this.handles.some((h) => h.part === part && h.rank === rank);
  }

  shift(from, by) {
    for (const h of this.handles) {
      if (h.rank !== null && h.rank >= from) h.rank = Math.min(HIGHEST_RANK, Math.max(1, h.rank + by));
    }
  }

  // How far up the stalk a point is. A laid plant may lie any way round: its collars tell.
  up() {
    const collars = this.handles.filter((h) => h.part === "collar" && h.rank !== null);
    collars.sort((a, b) => a.rank - b.rank);
    const foot = this.handles.find((h) => h.part === "soil") || collars[0];
    const head = collars[collars.length - 1];
    if (!foot || !head || foot === head) return (p) => -p.y;
    const [dx, dy] = [head.x - foot.x, head.y - foot.y];
    return (p) => p.x * dx + p.y * dy;
  }

  // The number of a new collar: one more than that of the collar, or lost leaf, below it.
  rankAt(x, y) {
    const up = this.up();
    const here = up({ x, y });
    const below = this.handles.filter((h) => h.part === "collar" && up(h) < here);
    const lost = this.handles.filter((h) => h.lost).length;
    const rank = below.length ? Math.max(...below.map((h) => h.rank)) : lost;
    return Math.min(rank + 1, HIGHEST_RANK);
  }

  freeTip() {
    for (let rank = 1; rank <= HIGHEST_RANK; rank += 1) {
      if (!this.has("tip", rank) && !this.has("leaf", rank)) return rank;
    }
    return null;
  }
}

export function stageOf(handles) {
  return Math.max(
    0,
    ...handles.filter((h) => ["collar", "leaf"].includes(h.part)).map((h) => h.rank || 0),
  );
}

export function stageName(stage) {
  return stage === 0 ? "VE" : `V${stage}`;
}

export function inOrder(handles) {
  const parts = ["soil", "leaf", "collar", "tip", "arch"];
  return [...handles].sort(
    (a, b) => parts.indexOf(a.part) - parts.indexOf(b.part) || (a.rank || 99) - (b.rank || 99),
  );
}

export function name(h) {
  const hidden = h.occluded ? ", hidden" : "";
  const number = h.rank === null ? "of an unknown leaf" : `of leaf ${h.rank}`;
  if (h.part === "leaf") return `Leaf ${h.rank}, lost`;
  if (h.part === "soil") return "Soil line";
  if (h.part === "arch") return "Arch";
  return `${h.part === "collar" ? "Collar" : h.rounded ? "Round tip" : "Tip"} ${number}${hidden}`;
}

export function problemsOf(handles, size) {
  const found = [];
  for (const h of handles.filter((h) => h.part !== "leaf")) {
    if (size && !(h.x >= 0 && h.x <= size[0] && h.y >= 0 && h.y <= size[1])) {
      found.push(`A ${h.part} lies outside the photo: move it in or delete it.`);
    }
  }
  const numbered = handles.filter((h) => ["collar", "leaf"].includes(h.part) || h.rank !== null);
  if (numbered.some((h) => !(h.rank >= 1 && h.rank <= HIGHEST_RANK))) {
    return [...found, `A leaf has no number from 1 to ${HIGHEST_RANK}: number it.`];
  }
  const ranks = (part) => handles.filter((h) => h.part === part && h.rank !== null).map((h) => h.rank);
  const [collars, tips, lost] = [ranks("collar"), ranks("tip"), ranks("leaf")];
  for (const [words, list] of [["collars", collars], ["tips", tips], ["lost leaves", lost]]) {
    for (const rank of twice(list)) {
      found.push(`Two ${words} have number ${rank}: renumber or delete one.`);
    }
  }
  for (const rank of [...new Set(lost)].sort((a, b) => a - b)) {
    if (collars.includes(rank) || tips.includes(rank)) {
      found.push(`Leaf ${rank} is marked lost but has a collar or a tip: choose one.`);
    }
  }
  const missing = [];
  for (let rank = 1; rank <= stageOf(handles); rank += 1) {
    if (!collars.includes(rank) && !lost.includes(rank)) missing.push(rank);
  }
  if (missing.length) {
    const leaves = `${missing.length === 1 ? "Leaf" : "Leaves"} ${missing.join(", ")}`;
    found.push(`${leaves} without a collar: add it, mark the leaf lost, or renumber.`);
  }
  if (handles.some((h) => h.rounded && h.rank !== 1)) {
    found.push("Only leaf 1 has a round tip: give that tip number 1 or make it pointed.");
  }
  return found;
}

function twice(list) {
  return [...new Set(list.filter((v, i) => list.indexOf(v) !== i))].sort((a, b) => a - b);
}
