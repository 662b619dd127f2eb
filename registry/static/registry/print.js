// Printing: a button where there is script for it, and everything folded opened while the page is printed.

const folded = new Set();

for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}

matchMedia("print").addEventListener("change", ({ matches }) => {
  if (matches) {
    for (const details of document.querySelectorAll("details:not([open])")) {
      details.open = true;
      folded.add(details);
    }
  } else {
    for (const details of folded) details.open = false;
    folded.clear();
  }
});
