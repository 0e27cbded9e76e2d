// A file that the learner picks, sent to Python as it is; one too large for a record stays in the browser.
function render({ model, el, signal }) {
  const root = make("div", "gl gl-upload");
  const label = make("label");
  const input = make("input");
  input.type = "file";
  input.accept = model.get("accept");
  label.append(make("span", "", model.get("text")), " ", input);
  root.append(label);
  ownKeys(root);
  el.append(root);
  input.onchange = async () => {
    const file = input.files[0];
    if (!file) return;
    const { name, size } = file;
    const small = size <= model.get("most_bytes");
    model.send({ name, size }, undefined, small ? [await file.arrayBuffer()] : []);
    input.value = ""; // the same file may be picked again
  };
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
