function render({ model, el, signal }) {
  const root = make("div", "gl gl-tableview");
  ownKeys(root);
  el.append(root);
  const paint = () => fillTable(root, model.get("table"));
  model.on("change:table", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
