// Keeps the big screen fresh; when the planner does not answer, it says since when. Without this file the page reloads.
"use strict";

const OFTEN = 20000;
const silent = document.getElementById("wall-silent");
let heard = new Date();

async function again() {
  try {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (!answer.ok) throw new Error(`status ${answer.status}`);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("wall");
    if (!fresh) throw new Error("another page came");
    document.getElementById("wall").replaceWith(fresh);
    heard = new Date();
    silent.hidden = true;
  } catch {
    const clock = heard.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    silent.textContent = `The planner has not answered since ${clock}; this screen shows how it stood then.`;
    silent.hidden = false;
  }
  setTimeout(again, OFTEN);
}

setTimeout(again, OFTEN);
