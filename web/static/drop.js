// A file dropped anywhere on the field is sent at once; without this file it is chosen and sent by the button.
"use strict";

const drop = document.getElementById("drop");
if (drop) {
  const input = drop.querySelector("input[type=file]");
  const stop = (event) => { event.preventDefault(); drop.classList.toggle("over", event.type === "dragover"); };
  for (const kind of ["dragover", "dragleave"]) drop.addEventListener(kind, stop);
  drop.addEventListener("drop", (event) => {
    stop(event);
    if (!event.dataTransfer.files.length) return;
    input.files = event.dataTransfer.files;
    drop.requestSubmit();
  });
}
