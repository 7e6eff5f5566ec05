// Keeps the words and bars of long work fresh, and loads the page again when a piece of work has ended.
"use strict";

const works = document.getElementById("works");
const OFTEN_MS = 2000;
const SELDOM_MS = 10000;

function show(work) {
  const place = works.querySelector(`[data-work="${work.id}"]`);
  if (!place) return;
  place.querySelector(".work-words").textContent = work.words;
  place.querySelector(".work-note").textContent = work.note ? `, ${work.note}` : "";
  const bar = place.querySelector("progress");
  bar.max = work.total || 1;
  bar.value = work.done;
}

async function look() {
  let wait = SELDOM_MS;
  const silent = works.querySelector(".silent");
  if (document.visibilityState === "visible") {
    try {
      const answer = await fetch(works.dataset.source, { cache: "no-store" });
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      const now = await answer.json();
      if (now.mark !== works.dataset.mark) return location.reload();
      now.works.forEach(show);
      works.dataset.at = now.at;
      silent.hidden = true;
      works.hidden = !(now.works.length || now.broken.length);
      if (now.works.length) wait = OFTEN_MS;
    } catch {
      silent.textContent = `The planner has not answered since ${works.dataset.at}; this page shows how it stood then.`;
      silent.hidden = false;
      works.hidden = false;
    }
  }
  return setTimeout(look, wait);
}

if (works) setTimeout(look, works.hidden ? SELDOM_MS : OFTEN_MS);
