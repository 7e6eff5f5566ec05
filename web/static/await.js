// Goes on as soon as a piece of work is done; without this file the page reloads itself.
"use strict";

const awaited = document.getElementById("awaited");
if (awaited) {
  const began = Date.now();
  const ask = async () => {
    const answer = await fetch(awaited.dataset.source, { cache: "no-store" }).catch(() => null);
    const now = answer && answer.ok ? await answer.json() : null;
    if (now && !["waiting", "running"].includes(now.state)) return location.reload();
    awaited.textContent = `${Math.round((Date.now() - began) / 1000)} s so far`;
    return setTimeout(ask, 500);
  };
  ask();
}
