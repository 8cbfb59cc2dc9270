// Who counts: a name, asked for once and kept on this device.

const WHO = "collarvision-who";
const dialog = document.getElementById("who-dialog");
const button = document.getElementById("who");

export function who() {
  return localStorage.getItem(WHO) || "";
}

function show() {
  if (button) button.textContent = who() || "Who?";
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
}
