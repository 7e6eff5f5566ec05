// A password can be looked at while it is typed, and a new one is rated; without this file the forms work as well.
"use strict";

const WORDS = ["too short", "easily guessed", "better with another word", "good", "very good"];
const SHORTEST = 12;

// 0 to 4: by its length and by how many different signs stand in it; what the server refuses is never called good
function rated(password) {
  const signs = [...password];
  if (signs.length < SHORTEST) return 0;
  const different = new Set(password.toLowerCase()).size;
  if (different < 6) return 1;
  return 2 + Number(signs.length >= 16 && different >= 8) + Number(signs.length >= 22 && different >= 10);
}

for (const field of document.querySelectorAll("input[type=password]")) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Show";
  button.setAttribute("aria-pressed", "false");
  button.addEventListener("click", () => {
    const shown = field.type === "password";
    field.type = shown ? "text" : "password";
    button.textContent = shown ? "Hide" : "Show";
    button.setAttribute("aria-pressed", String(shown));
  });
  field.form.addEventListener("submit", () => { field.type = "password"; });
  field.closest("label").after(button);
  if (field.autocomplete !== "new-password") continue;
  const told = document.createElement("p");
  told.className = "quiet";
  told.setAttribute("role", "status");
  const meter = document.createElement("meter");
  meter.max = 4; meter.low = 2; meter.high = 3; meter.optimum = 4;
  meter.setAttribute("aria-label", "How good the new password is");
  const words = document.createElement("span");
  told.append(meter, " ", words);
  button.after(told);
  const tell = () => { meter.value = rated(field.value); words.textContent = field.value ? WORDS[meter.value] : ""; };
  field.addEventListener("input", tell);
  tell();
}
