// The print button; without this file the browser's own menu does the same.
"use strict";

for (const button of document.querySelectorAll("[data-print]")) button.addEventListener("click", () => window.print());
