// Keys: one for everything, none while something is being typed or a dialog is open.

const ON = "collarvision-keys";

function typing(target) {
  return target.closest("input, select, textarea, dialog") !== null;
}

export function keysOn() {
  return localStorage.getItem(ON) !== "off";
}

export function setKeys(on) {
  localStorage.setItem(ON, on ? "on" : "off");
}

const ARROWS = {
  ArrowLeft: [-1, 0],
  ArrowRight: [1, 0],
  ArrowUp: [0, -1],
  ArrowDown: [0, 1],
};

// `acts` holds a function for each key, and arrow(dx, dy, far), digit(n). An act that gives false
// leaves the key to the browser.
export function listen(acts) {
  document.addEventListener("keydown", (event) => {
    if (typing(event.target) || event.altKey || document.querySelector("dialog[open]")) return;
    // One press, one act: a key that is held moves things, and does nothing else again and again.
    if (event.repeat && !ARROWS[event.key]) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    let act = null;
    if (event.ctrlKey || event.metaKey) {
      if (key === "z") act = event.shiftKey ? acts.y : acts.u;
      else if (key === "y") act = acts.y;
    } else if (ARROWS[key]) {
      const [dx, dy] = ARROWS[key];
      act = () => acts.arrow(dx, dy, event.shiftKey);
    } else if (key === "Delete" || key === "Backspace" || key === "Escape") {
      act = acts[key];
    } else if (!keysOn() && key !== "?") {
      return;
    } else if (/^[1-9]$/.test(key)) {
      act = () => acts.digit(Number(key));
    } else {
      act = acts[key];
    }
    if (act && act() !== false) event.preventDefault();
  });
}
