// Writes into the head of the page, which stands there before Python has started.
function render({ model, signal }) {
  const paint = () => {
    const done = new Set(model.get("done"));
    const links = [...document.querySelectorAll(".wb-exercises a")];
    document.getElementById("wb-standing").textContent = model.get("text");
    for (const link of links) {
      const { number } = link.dataset;
      link.toggleAttribute("data-done", done.has(number));
      link.textContent = done.has(number) ? `${number} ✓` : number;
      link.setAttribute("aria-label", `Exercise ${number}${done.has(number) ? ", right" : ""}`);
    }
    const count = document.getElementById("wb-done");
    if (count) count.textContent = `${done.size} of ${links.length} right`;
  };
  model.on("change:text change:done", paint);
  signal.addEventListener("abort", () => model.off("change:text change:done", paint));
  // The browser asks before the workbook is left where all would be lost; links within it lose nothing.
  let safe = !model.get("forgets");
  const within = ({ target }) => {
    const link = target.closest?.("a[href]");
    if (!link || link.origin !== location.origin || link.target || safe) return;
    safe = true;
    setTimeout(() => (safe = false), 3000);
  };
  const ask = (event) => safe || event.preventDefault();
  model.on("change:text", () => (safe = !model.get("forgets")));
  document.addEventListener("click", within, { signal });
  document.addEventListener("workbook-saved", () => (safe = true), { signal });
  addEventListener("beforeunload", ask, { signal });
  paint();
}
export default { render };
