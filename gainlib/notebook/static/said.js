// A live region: it is on the page before its words change, so that a screen reader announces the change.
function render({ model, el, signal }) {
  const root = make("div", "gl gl-said");
  const head = make("strong", "gl-said-state");
  const body = make("div", "gl-said-text");
  root.setAttribute("role", "status");
  root.setAttribute("aria-live", "polite");
  root.setAttribute("aria-atomic", "true");
  root.append(head, body);
  el.append(root);

  const paint = () => {
    head.textContent = model.get("word");
    head.hidden = !model.get("word");
    body.innerHTML = model.get("html"); // made from Markdown in Python, with everything typed by hand escaped
    root.dataset.state = model.get("state");
    root.classList.toggle("gl-empty", !model.get("word") && !model.get("html"));
  };
  model.on("change:html change:word change:state", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
