function render({ model, el, signal }) {
  const root = make("figure", "gl gl-picture");
  const image = make("img", "gl-image");
  const sentence = make("figcaption", "gl-sentence");
  const details = make("details", "gl-numbers");
  const holder = make("div");
  details.append(make("summary", "", "The same in numbers"), holder);
  const compact = model.get("compact");
  if (compact) details.append(sentence);
  root.append(image, ...(compact ? [details] : [sentence, details]));
  details.firstChild.textContent = compact ? "The same in words and numbers" : "The same in numbers";
  ownKeys(root);
  el.append(root);

  let shown = null;
  const paint = () => {
    const bytes = model.get("png");
    if (!bytes || !bytes.byteLength) return;
    const old = shown;
    shown = URL.createObjectURL(new Blob([bytes], { type: "image/png" }));
    image.src = shown;
    if (old) URL.revokeObjectURL(old);
  };
  const size = () => {
    image.width = model.get("width_px");
    image.height = model.get("height_px");
  };
  const words = () => {
    image.alt = model.get("alt");
    sentence.textContent = model.get("sentence");
    sentence.hidden = !model.get("sentence");
  };
  const numbers = () => {
    holder.replaceChildren();
    for (const table of model.get("tables")) {
      const one = make("div");
      fillTable(one, table);
      holder.append(one);
    }
    details.hidden = !compact && !holder.childElementCount;
  };
  model.on("change:png", paint);
  model.on("change:width_px change:height_px", size);
  model.on("change:alt change:sentence", words);
  model.on("change:tables", numbers);
  if (devicePixelRatio > 1) {
    model.set("density", devicePixelRatio);
    model.save_changes();
  }
  size();
  words();
  numbers();
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
  return () => shown && URL.revokeObjectURL(shown);
}
export default { render };
