const KEY_PAUSE_MS = 250; // keys this close together are one gesture
const mmOf = ({ unity_mm, exponent, length_mm }, db) => Math.min(length_mm, unity_mm * 10 ** (db / (20 * exponent)));
const dbOf = ({ unity_mm, exponent }, mm) => 20 * exponent * Math.log10(mm / unity_mm);

function render({ model, el, signal }) {
  const rows = model.get("rows");
  const root = make("div", "gl gl-controls");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", model.get("label"));
  ownKeys(root);
  el.append(root);

  const moves = moving(model, "places");
  let pause = 0;
  let moved = false;
  function release() {
    clearTimeout(pause);
    if (!moved) return;
    moved = false;
    moves.end();
    model.set("gesture", model.get("gesture") + 1);
    model.save_changes();
  }
  const releaseSoon = () => {
    clearTimeout(pause);
    pause = setTimeout(release, KEY_PAUSE_MS);
  };
  function move(row, value) {
    const places = model.get("places").slice();
    if (places[row] === value) return paint();
    places[row] = value;
    moved = true;
    moves.to(places);
  }

  function slider(spec, row) {
    const { low, high, step, page, home, unit, decimals, steps, signed, words, travel } = spec;
    const uneven = steps.length > 0;
    const at = (value) => steps.reduce((best, each, k) => (Math.abs(each - value) < Math.abs(steps[best] - value) ? k : best), 0);
    const on = (value) => {
      const inside = Math.min(Math.max(value, low), high);
      return uneven ? steps[at(inside)] : Number((low + Math.round((inside - low) / step) * step).toFixed(6));
    };
    const digits = (value) => (Number.isInteger(value) && uneven ? 0 : Math.max(decimals, Math.abs(value * 10 - Math.round(value * 10)) > 1e-6 ? 2 : 0));
    const word = (value) => words.find(([each]) => each === value)?.[1];
    const text = (value) => word(value) ?? numberText(value, digits(value), signed);
    const input = make("input", "gl-slide");
    // what the input holds: the place among the steps, millimetres of a fader's way, or the value itself
    const holds = uneven
      ? { min: 0, max: steps.length - 1, step: 1, to: at, from: (held) => steps[held] }
      : travel
        ? { min: mmOf(travel, low), max: mmOf(travel, high), step: 0.05, to: (value) => mmOf(travel, value), from: (held) => on(dbOf(travel, held)) }
        : { min: low, max: high, step, to: (value) => value, from: on };
    Object.assign(input, { type: "range", min: holds.min, max: holds.max, step: holds.step });
    input.setAttribute("aria-label", spec.label);
    const entry = make("input", "gl-number");
    entry.type = "text";
    entry.inputMode = "text"; // a phone's number pad may have no minus sign
    entry.setAttribute("aria-label", `${spec.label} in ${unit || "numbers"}`);
    const after = make("span", "gl-unit", unit);
    let typing = false;
    let byKey = false;

    input.addEventListener("pointerdown", () => (byKey = false));
    input.addEventListener("input", () => {
      clearTimeout(pause);
      move(row, holds.from(Number(input.value)));
    });
    input.addEventListener("change", () => (byKey ? releaseSoon() : release()));
    input.addEventListener("blur", release);
    const nudge = (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return false;
      const now = model.get("places")[row];
      const by = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1 }[event.key];
      const leap = { PageUp: 1, PageDown: -1 }[event.key];
      if (by && uneven) move(row, steps[Math.min(Math.max(at(now) + by, 0), steps.length - 1)]);
      else if (leap && uneven) move(row, steps[Math.min(Math.max(at(now) + 3 * leap, 0), steps.length - 1)]);
      else if (by) move(row, on(now + by * step));
      else if (leap) move(row, on(now + leap * page));
      else if (event.key === "Home") move(row, on(home));
      else return false;
      event.preventDefault();
      byKey = true;
      releaseSoon();
      return true;
    };
    input.addEventListener("keydown", nudge);
    const commit = () => {
      const said = words.find(([, name]) => name === entry.value.trim());
      const plain = said ? String(said[0]) : entry.value.trim().replace(/[\u2212\u2013\u2014]/g, "-").replace(",", ".").replace(unit, "").trim();
      if (!/^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) || Number(plain) < low - 1e-9 || Number(plain) > high + 1e-9) {
        entry.setAttribute("aria-invalid", "true");
        entry.title = `${spec.label} goes from ${text(low)} to ${text(high)} ${unit}`;
        return;
      }
      typing = false;
      const value = Number(plain);
      move(row, uneven ? on(value) : Number(value.toFixed(2)));
      release();
    };
    const giveUp = () => {
      typing = false;
      paint();
    };
    entry.addEventListener("input", () => (typing = true));
    entry.addEventListener("change", commit);
    entry.addEventListener("keydown", (event) => {
      if (event.key === "Enter") commit(); // also for text that is the same as before
      else if (event.key === "Escape") giveUp();
      else if (event.key === "ArrowUp" || event.key === "ArrowDown") {
        giveUp();
        nudge(event);
      }
    });
    const show = (value, off) => {
      input.value = String(holds.to(value));
      const behind = word(value) ? "" : unit;
      input.setAttribute("aria-valuetext", `${text(value)} ${behind}`.trim());
      after.textContent = behind;
      if (!typing) {
        entry.value = text(value);
        entry.removeAttribute("aria-invalid");
        entry.removeAttribute("title");
      }
      input.disabled = entry.disabled = Boolean(off);
    };
    return { parts: [input, entry, after], show };
  }

  function list({ label, options, turns }, row) {
    const select = make("select", "gl-list");
    select.setAttribute("aria-label", label);
    options.forEach((text, place) => {
      const option = make("option", "", text);
      option.value = String(place);
      select.append(option);
    });
    select.addEventListener("change", () => {
      move(row, Number(select.value));
      release();
    });
    const show = (place, off) => {
      select.value = String(place);
      select.disabled = Boolean(off);
    };
    if (!turns) return { parts: [select], show };
    const buttons = [["◀", -1, "the one before"], ["▶", 1, "the next one"]].map(([text, by, title]) => {
      const button = make("button", "gl-turn", text);
      button.title = button.ariaLabel = `${label}: ${title}`;
      button.onclick = () => {
        move(row, (model.get("places")[row] + by + options.length) % options.length);
        release();
      };
      return button;
    });
    const host = make("span", "gl-turns");
    host.append(select, ...buttons);
    return { parts: [host], show };
  }

  const lines = rows.map((spec, row) => {
    const line = make("div", "gl-control");
    const name = make("span", "gl-name", spec.label);
    const why = make("span", "gl-why");
    const made = (spec.options ? list : slider)(spec, row);
    line.append(name, ...made.parts, why);
    line.dataset.listed = String(Boolean(spec.options));
    root.append(line);
    return { ...made, line, why };
  });

  function paint() {
    const places = model.get("places");
    const off = model.get("off");
    const hidden = model.get("hidden");
    lines.forEach(({ show, line, why }, row) => {
      line.hidden = hidden[row];
      if (hidden[row]) return;
      show(places[row], off[row]);
      line.dataset.off = String(Boolean(off[row]));
      line.title = off[row] || "";
      why.textContent = off[row] || "";
    });
  }
  model.on("change:places change:off change:hidden", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
  return () => clearTimeout(pause);
}
export default { render };
