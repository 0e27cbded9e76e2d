const GONE =
  "The Python behind this panel has stopped or was restarted, so nothing here answers any more. Choose Run, then " +
  "Run All Cells from the menu; your answers are kept.";
const AWAY = "The page has lost its connection to Python. It is trying again; what you move now may not be answered.";

function render({ model, el, signal }) {
  const root = make("div", "gl");
  const stale = make("div", "gl-notice gl-kernel");
  const failure = make("div", "gl-notice gl-failure");
  stale.hidden = true;
  stale.setAttribute("role", "alert");
  failure.setAttribute("role", "alert");
  root.append(stale, failure);
  el.append(root);
  const paint = () => {
    failure.textContent = model.get("message");
    failure.hidden = !model.get("message");
  };
  model.on("change:message", paint);
  paint();
  // The notice stands in the panel's own box, whose buttons, boxes and lists are not ours: they too keep their keys, or
  // an arrow leaves the choices for the next cell and a letter typed on a button edits the notebook.
  const keep = ({ target }) => el.closest(".widget-vbox")?.contains(target) && target.setAttribute(KEYS_MARK, "true");
  document.addEventListener("focusin", keep, { signal });
  watchKernel(model, el, signal, (state) => {
    stale.textContent = state === "gone" ? GONE : AWAY;
    stale.hidden = state === "here";
  });
}
export default { render };
