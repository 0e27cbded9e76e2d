const KEY_PAUSE_MS = 250; // keys this close together are one gesture

function render({ model, el, signal }) {
  const rows = model.get("rows");
  const root = make("div", "gl gl-settings");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", model.get("label"));
  ownKeys(root);
  el.append(root);

  const bar = make("div", "gl-bar");
  for (const [text, what] of [["Undo", "undo"], ["Back to start", "reset"]]) {
    const button = make("button", `gl-${what}`, text);
    button.onclick = () => model.send({ do: what });
    bar.append(button);
  }
  const undo = bar.firstChild;
  root.append(bar);

  let pause = 0;
  let moved = false;
  function release() {
    clearTimeout(pause);
    if (!moved) return;
    moved = false;
    model.set("gesture", model.get("gesture") + 1);
    model.save_changes();
  }
  function move(row, place) {
    const places = model.get("places").slice();
    if (places[row] === place) return;
    places[row] = place;
    moved = true;
    model.set("places", places);
    paint();
    model.save_changes();
  }

  function slider({ label, texts }, row) {
    const input = make("input", "gl-slide");
    Object.assign(input, { type: "range", min: 0, max: texts.length - 1, step: 1 });
    input.setAttribute("aria-label", label);
    const shown = make("output", "gl-shown");
    let byKey = false;
    input.addEventListener("keydown", () => (byKey = true));
    input.addEventListener("pointerdown", () => (byKey = false));
    input.addEventListener("input", () => {
      clearTimeout(pause);
      move(row, Number(input.value));
    });
    input.addEventListener("change", () => {
      clearTimeout(pause);
      if (byKey) pause = setTimeout(release, KEY_PAUSE_MS);
      else release();
    });
    input.addEventListener("blur", release);
    const show = (place) => {
      input.value = String(place);
      input.setAttribute("aria-valuetext", texts[place]);
      shown.textContent = texts[place];
    };
    return { parts: [input, shown], show };
  }

  function list({ label, texts }, row) {
    const select = make("select", "gl-list");
    select.setAttribute("aria-label", label);
    texts.forEach((text, place) => {
      const option = make("option", "", text);
      option.value = String(place);
      select.append(option);
    });
    select.addEventListener("change", () => {
      move(row, Number(select.value));
      release();
    });
    return { parts: [select], show: (place) => (select.value = String(place)) };
  }

  const grid = make("div", "gl-setrows");
  const lines = rows.map((spec, row) => {
    const line = make("div", "gl-setrow");
    line.append(make("span", "gl-name", spec.label));
    const made = (spec.listed ? list : slider)(spec, row);
    line.append(...made.parts);
    line.dataset.listed = String(spec.listed);
    grid.append(line);
    return made;
  });
  root.append(grid);

  function paint() {
    const places = model.get("places");
    undo.disabled = !model.get("can_undo");
    lines.forEach(({ show }, row) => show(places[row]));
  }
  model.on("change:places change:can_undo", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
  return () => clearTimeout(pause);
}
export default { render };
