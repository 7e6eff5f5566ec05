// Lists filter as one types. Without this file the pages work the same, with the button.
"use strict";

const wordsOf = (text) => text.toLowerCase().split(/\s+/).filter(Boolean);

// rows that are on the page already
for (const input of document.querySelectorAll("input[data-filters]")) {
  const list = document.getElementById(input.dataset.filters);
  const told = document.querySelector(`[data-filtered="${input.dataset.filters}"]`);
  const before = told ? told.textContent : "";
  const rows = [...list.querySelectorAll("tbody tr, [data-row]")];
  input.addEventListener("input", () => {
    const words = wordsOf(input.value);
    let shown = 0;
    for (const row of rows) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
      shown += row.hidden ? 0 : 1;
    }
    for (const section of list.querySelectorAll("section")) {
      section.hidden = !section.querySelector("tbody tr:not([hidden])");
    }
    if (told) told.textContent = words.length ? `${shown} of ${rows.length} rows fit` : before;
  });
}

// a list that pages on the server: ask it for the rows that fit, a moment after the last letter
for (const form of document.querySelectorAll("form[data-list]")) {
  const input = form.querySelector("input[type=search]");
  let timer = 0;
  let asked = 0;
  const ask = async () => {
    const number = (asked += 1);
    const address = `${form.action}?${new URLSearchParams(new FormData(form))}`;
    const answer = await fetch(address).catch(() => null);
    if (number !== asked || !answer || !answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    for (const place of [`#${form.dataset.list}`, "h1"]) {
      const [old, fresh] = [document.querySelector(place), page.querySelector(place)];
      if (old && fresh) old.replaceWith(fresh);
    }
    history.replaceState(null, "", address);
  };
  input.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(ask, 250);
  });
}
