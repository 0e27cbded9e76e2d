const REST_MS = 250; // keys that pause this long have come to rest

function render({ model, el, signal }) {
  const root = make("div", "gl gl-slider");
  const label = make("label");
  const name = make("span", "gl-slider-name");
  const range = make("input");
  range.type = "range";
  const entry = make("input", "gl-number");
  entry.type = "text";
  entry.inputMode = "decimal";
  const unit = make("span", "gl-unit");
  label.append(name, range);
  root.append(label, entry, unit);
  ownKeys(root);
  el.append(root);
  let resting;

  const text = (value) => numberText(value, model.get("digits"), model.get("signed"));
  const said = (value) => `${text(value)} ${model.get("unit")}`.trim();
  function paint() {
    const value = model.get("value");
    name.textContent = model.get("label");
    unit.textContent = model.get("unit");
    for (const key of ["low", "high", "step"]) range[{ low: "min", high: "max", step: "step" }[key]] = model.get(key);
    range.value = value;
    range.setAttribute("aria-valuetext", said(value));
    entry.value = text(value);
    entry.removeAttribute("aria-invalid");
    entry.setAttribute("aria-label", `${model.get("label")} in ${model.get("unit") || "numbers"}`);
    range.disabled = entry.disabled = model.get("disabled");
  }
  function take(value) {
    const low = model.get("low");
    const step = model.get("step");
    const inside = Math.min(Math.max(value, low), model.get("high"));
    const on = low + Math.round((inside - low) / step) * step;
    model.set("value", Number(on.toFixed(model.get("digits"))));
    model.save_changes();
    paint();
  }
  function release() {
    clearTimeout(resting);
    model.set("released", model.get("released") + 1);
    model.save_changes();
  }
  range.oninput = () => take(Number(range.value));
  range.onpointerup = release;
  range.addEventListener("keydown", (event) => {
    const step = model.get("step");
    const page = model.get("page");
    const by = { ArrowUp: step, ArrowRight: step, ArrowDown: -step, ArrowLeft: -step, PageUp: page, PageDown: -page };
    if (!(event.key in by) && event.key !== "Home") return;
    event.preventDefault();
    take(event.key === "Home" ? model.get("home") : model.get("value") + by[event.key]);
    clearTimeout(resting);
    resting = setTimeout(release, REST_MS);
  });
  function typed() {
    const plain = entry.value.replace(/[\u2212\u2013\u2014]/g, "-").replace(",", ".").replace(model.get("unit"), "");
    const value = plain.trim() === "" ? NaN : Number(plain);
    if (Number.isNaN(value)) return entry.setAttribute("aria-invalid", "true");
    take(value);
    release();
  }
  entry.onchange = typed;
  entry.addEventListener("keydown", (event) => {
    if (event.key === "Enter") typed(); // the page keeps this key from the field, so no change follows by itself
    else if (event.key === "Escape") paint();
  });

  model.on("change:value change:disabled change:label change:low change:high change:home", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
  return () => clearTimeout(resting);
}
export default { render };
