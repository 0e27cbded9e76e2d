// A button that saves a file: Python sends its bytes when asked, the browser does what it does with downloads.
function render({ model, el, signal }) {
  const root = make("div", "gl gl-keep");
  const button = make("button", "", model.get("text"));
  ownKeys(root);
  root.append(button);
  el.append(root);
  button.onclick = () => model.send({ want: true });
  model.on("msg:custom", (message, views) => {
    const link = make("a");
    link.download = message.name;
    link.href = URL.createObjectURL(new Blob([views[0]], { type: message.type }));
    link.click();
    if (message.type.includes("ndjson")) document.dispatchEvent(new Event("workbook-saved"));
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
  model.on("change:text", () => (button.textContent = model.get("text")));
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
}
export default { render };
