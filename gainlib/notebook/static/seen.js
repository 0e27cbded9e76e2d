// Beside the table of labs: tells Python when it comes into sight again, as when one comes back from another tab, and
// sees to it that a link into a lab gets to its cell. JupyterLab follows such a link before a lab that was closed has
// been laid out, and then stays at the top.
const AGAIN_MS = 500;
const TIMES = 12;

function render({ model, el, signal }) {
  const mark = make("div");
  mark.style.cssText = "width: 1px; height: 1px";
  el.append(mark);
  let hidden = false;
  const look = new ResizeObserver(() => {
    const gone = mark.offsetWidth === 0; // a tab behind another one has no size
    if (hidden && !gone) {
      model.set("times", model.get("times") + 1);
      model.save_changes();
    }
    hidden = gone;
  });
  look.observe(mark);

  const atTheTop = () => {
    const shown = document.querySelector(".jp-NotebookPanel:not(.lm-mod-hidden) .jp-WindowedPanel-outer");
    return !el.offsetParent && shown?.scrollTop === 0;
  };
  function follow(event) {
    const area = el.closest(".jp-OutputArea");
    const link = event.isTrusted && event.target.closest?.('a[href*="#cell-id="]');
    if (!link || !area?.contains(link)) return;
    const { hash } = link;
    let times = 0;
    const again = setInterval(() => {
      const same = [...area.querySelectorAll("a")].find((other) => other.hash === hash);
      if (atTheTop()) same?.click();
      if (++times >= TIMES) clearInterval(again);
    }, AGAIN_MS);
    const stop = () => clearInterval(again);
    for (const name of ["wheel", "keydown", "pointerdown"]) document.addEventListener(name, stop, { once: true, signal });
  }
  document.addEventListener("click", follow, { capture: true, signal });
  signal.addEventListener("abort", () => look.disconnect());
}
export default { render };
