// View: the photo under finger, wheel and keys. It knows places, and nothing of what they mean.

const CLOSEST = 12; // screen px a photo px
const TAP_PX = 6;
const DOUBLE_TAP_MS = 300;
const BUTTONS_PX = 56; // those to zoom stand on the right
const REACH = { touch: 30, mouse: 16, pen: 20 };

export class View {
  // `hooks`: grab(x, y, reach) gives a handle's id or null; drag(id, x, y), dragStart(id),
  // dragEnd(id), tap(id, x, y); draw(). Positions given out are photo px, `reach` screen px.
  constructor(element, size, hooks) {
    this.element = element;
    this.size = size;
    this.hooks = hooks;
    this.scale = 1;
    this.x = 0;
    this.y = 0;
    this.pointers = new Map();
    this.held = null;
    this.pending = false;
    this.pointerAt = null;
    this.lastTap = 0;
    element.addEventListener("pointerdown", (e) => this.down(e));
    element.addEventListener("pointermove", (e) => this.move(e));
    for (const name of ["pointerup", "pointercancel"]) {
      element.addEventListener(name, (e) => this.up(e, name === "pointercancel"));
    }
    element.addEventListener("pointerleave", () => (this.pointerAt = null));
    element.addEventListener("wheel", (e) => this.wheel(e), { passive: false });
    new ResizeObserver(() => this.resized()).observe(element);
  }

  get width() {
    return this.element.clientWidth;
  }

  get height() {
    return this.element.clientHeight;
  }

  toPhoto(x, y) {
    return { x: (x - this.x) / this.scale, y: (y - this.y) / this.scale };
  }

  toScreen(p) {
    return { x: p.x * this.scale + this.x, y: p.y * this.scale + this.y };
  }

  get middle() {
    return this.toPhoto(this.width / 2, this.height / 2);
  }

  // Where a new handle goes: under the mouse, else in the middle.
  get here() {
    return this.pointerAt ? this.toPhoto(this.pointerAt.x, this.pointerAt.y) : this.middle;
  }

  // Shows a box of the photo, [left, top, right, bottom] px, as large as it goes beside the buttons.
  show(box) {
    this.box = box;
    const [w, h] = [Math.max(box[2] - box[0], 1), Math.max(box[3] - box[1], 1)];
    const width = Math.max(this.width - BUTTONS_PX, 1);
    this.scale = Math.min(width / w, this.height / h);
    this.x = width / 2 - this.scale * (box[0] + w / 2);
    this.y = this.height / 2 - this.scale * (box[1] + h / 2);
    this.changed();
  }

  whole() {
    this.show([0, 0, ...this.size]);
  }

  get least() {
    return 0.9 * Math.min(this.width / this.size[0], this.height / this.size[1]);
  }

  zoom(factor, x = this.width / 2, y = this.height / 2) {
    this.box = null;
    const scale = Math.min(Math.max(this.scale * factor, this.least), CLOSEST);
    const f = scale / this.scale;
    this.x = x - f * (x - this.x);
    this.y = y - f * (y - this.y);
    this.scale = scale;
    this.changed();
  }

  pan(dx, dy) {
    this.box = null;
    this.x += dx;
    this.y += dy;
    this.changed();
  }

  // Brings a place into sight, where it isn't; `covered` px at the foot lie under tools.
  reveal(point, covered = 0) {
    const p = this.toScreen(point);
    const margin = 40;
    const dx = Math.max(margin - p.x, 0) + Math.min(this.width - margin - p.x, 0);
    const dy = Math.max(margin - p.y, 0) + Math.min(this.height - covered - margin - p.y, 0);
    if (dx || dy) this.pan(dx, dy);
  }

  changed() {
    // A strip of the photo stays in sight.
    const [w, h] = [this.size[0] * this.scale, this.size[1] * this.scale];
    const keep = 60;
    this.x = Math.min(Math.max(this.x, keep - w), this.width - keep);
    this.y = Math.min(Math.max(this.y, keep - h), this.height - keep);
    if (this.pending) return;
    this.pending = true;
    requestAnimationFrame(() => {
      this.pending = false;
      this.hooks.draw();
    });
  }

  resized() {
    if (this.held) return; // never under a finger
    if (this.box) this.show(this.box);
    else this.changed();
  }

  place(event) {
    const box = this.element.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  down(event) {
    if (event.target.closest("button") || event.button > 0) return;
    const at = this.place(event);
    this.element.setPointerCapture(event.pointerId);
    this.element.focus({ preventScroll: true });
    event.preventDefault();
    this.pointers.set(event.pointerId, at);
    if (this.pointers.size === 2) {
      this.letGo(true);
      return;
    }
    if (this.pointers.size > 2) return;
    const p = this.toPhoto(at.x, at.y);
    const id = this.hooks.grab(at.x, at.y, REACH[event.pointerType] || REACH.mouse);
    this.held = { id, from: at, photo: p, moved: false, touch: event.pointerType !== "mouse" };
  }

  move(event) {
    const at = this.place(event);
    if (event.pointerType === "mouse") this.pointerAt = at;
    const was = this.pointers.get(event.pointerId);
    if (!was) return;
    if (this.pointers.size === 2) {
      this.pinch(event.pointerId, was, at);
    } else if (this.held) {
      const far = Math.hypot(at.x - this.held.from.x, at.y - this.held.from.y);
      if (!this.held.moved && far > TAP_PX) {
        this.held.moved = true;
        this.element.classList.add("dragging");
        if (this.held.id !== null) this.hooks.dragStart(this.held.id);
      }
      if (this.held.moved) {
        const dx = at.x - was.x;
        const dy = at.y - was.y;
        if (this.held.id === null) this.pan(dx, dy);
        else this.hooks.drag(this.held.id, dx / this.scale, dy / this.scale, at, this.held.touch);
      } else {
        return; // small wobbles add up to the first real step
      }
    }
    this.pointers.set(event.pointerId, at);
  }

  pinch(id, was, at) {
    const [other] = [...this.pointers].filter(([key]) => key !== id).map(([, p]) => p);
    const before = Math.hypot(was.x - other.x, was.y - other.y);
    const after = Math.hypot(at.x - other.x, at.y - other.y);
    const middle = { x: (at.x + other.x) / 2, y: (at.y + other.y) / 2 };
    this.pan((at.x - was.x) / 2, (at.y - was.y) / 2);
    if (before > 0) this.zoom(after / before, middle.x, middle.y);
  }

  up(event, cancelled) {
    if (!this.pointers.delete(event.pointerId)) return;
    if (this.held && !this.held.moved && !cancelled) this.tapped(this.place(event));
    this.letGo(cancelled);
  }

  tapped(at) {
    const now = performance.now();
    const p = this.toPhoto(at.x, at.y);
    if (this.held.id === null && now - this.lastTap < DOUBLE_TAP_MS) {
      this.zoom(2, at.x, at.y);
      this.lastTap = 0;
      return;
    }
    this.lastTap = now;
    this.hooks.tap(this.held.id, p.x, p.y);
  }

  letGo(cancelled) {
    if (this.held && this.held.moved && this.held.id !== null) {
      this.hooks.dragEnd(this.held.id, cancelled);
    }
    this.held = null;
    this.element.classList.remove("dragging");
  }

  wheel(event) {
    event.preventDefault();
    const at = this.place(event);
    const step = event.deltaMode === 1 ? 24 * event.deltaY : event.deltaY;
    this.zoom(Math.exp(-Math.max(-200, Math.min(200, step)) / 300), at.x, at.y);
  }
}
