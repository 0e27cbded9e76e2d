// A file is sent to a page once, as a model of its own, however many widgets it shows; here those of one come together.
async function render(given) {
  given.el.dataset.coming = ""; // a page is not ready before all have come
  try {
    return await shown(given);
  } finally {
    delete given.el.dataset.coming;
  }
}
async function shown(given) {
  const { model, signal } = given;
  const files = await Promise.all(model.get("files").map((id) => model.widget_manager.get_model(id)));
  const of = (kind) => files.filter((file) => file.get("name").endsWith(kind));
  for (const sheet of of(".css")) {
    const id = `gl-${sheet.get("name")}`;
    if (document.getElementById(id)) continue;
    const style = Object.assign(document.createElement("style"), { id, textContent: sheet.get("text") });
    document.head.insertBefore(style, document.getElementById("gl-workbook.css")); // the sheet of all has the last word
  }
  const scripts = of(".js");
  const own = scripts.at(-1);
  const texts = scripts.map((file) => file.get("text"));
  own.imported ??= import(URL.createObjectURL(new Blob(texts, { type: "text/javascript" })));
  const widget = (await own.imported).default;
  return signal.aborted ? undefined : widget.render(given);
}
export default { render };
