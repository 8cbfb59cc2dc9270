// Who counts: a name, asked for once and kept on this device.

const WHO = "collarvision-who";
const dialog = document.getElementById("who-dialog");
const button = document.getElementById("who");

export function who() {
  return localStorage.getItem(WHO) || "";
}

// The name, and what a narrow screen has room for; the style sheet shows one of them.
function shown(name) {
  if (!name) return ["Who?"];
  const words = name.split(/\s+/);
  const first = [words[0], ...(words.length > 1 ? [words.at(-1)] : [])];
  const parts = { full: name, short: first.map((word) => [...word][0].toUpperCase()).join("") };
  return Object.entries(parts).map(([kind, text]) => {
    const part = document.createElement("span");
    part.className = kind;
    part.textContent = text;
    return part;
  });
}

function show() {
  if (button) button.replaceChildren(...shown(who()));
  if (button) button.setAttribute("aria-label", who() ? `You are ${who()}` : "Who are you?");
}

// Asks for the name; gives it, or "" if the person doesn't say.
export function askWho() {
  const input = document.getElementById("who-name");
  input.value = who();
  dialog.returnValue = "";
  dialog.showModal();
  input.select();
  return new Promise((done) => {
    dialog.addEventListener(
      "close",
      () => {
        const name = input.value.trim();
        if (dialog.returnValue === "ok" && name) localStorage.setItem(WHO, name);
        show();
        done(dialog.returnValue === "ok" ? who() : "");
      },
      { once: true },
    );
  });
}

export async function needWho() {
  return who() || (await askWho());
}

if (button) {
  button.addEventListener("click", askWho);
  show();
  // Another tab may have said a new name: counts of this page go under it too.
  addEventListener("storage", show);
}
