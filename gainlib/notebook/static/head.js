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
  paint();
}
export default { render };
