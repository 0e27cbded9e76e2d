const LOWEST_DB = -140; // below this a fader is silent
const FROM_SILENCE_DB = -60; // where the arrow keys come back from silence
const TICKS_DB = [10, 5, 0, -5, -10, -20, -30, -40, -60];
const RANKS = [[0], [10, -20, -Infinity], [-10, -40]]; // which labels stay longest where there is little room
const KEYS = { ArrowRight: 0.1, ArrowUp: 0.1, ArrowLeft: -0.1, ArrowDown: -0.1, PageUp: 1, PageDown: -1 };
const KEY_PAUSE_MS = 250; // keys this close together are one gesture

const tidy = (db) => (db === -Infinity ? db : Math.round(db * 1e4) / 1e4);

function lawOf(model) {
  const { unity_mm: unity, exponent, length_mm: length, low_db: low, high_db: high } = model.get("law");
  if (low !== undefined) {
    // an even travel, as of a trim: as many dB to every millimetre, and no silence at its end
    const perMm = (high - low) / length;
    const clamped = (db) => Math.min(Math.max(db, low), high);
    return { length, top: high, low, even: true, mm: (db) => (clamped(db) - low) / perMm, db: (mm) => clamped(low + perMm * mm) };
  }
  const top = 20 * exponent * Math.log10(length / unity);
  return {
    length,
    top,
    low: LOWEST_DB,
    even: false,
    mm: (db) => (db === -Infinity ? 0 : Math.min(length, unity * 10 ** (db / (20 * exponent)))),
    db: (mm) => (mm <= 0 ? -Infinity : 20 * exponent * Math.log10(mm / unity)),
  };
}

// how soon a label gives way: 0 never, 3 at the first
function rankOf(db, place, law, inMm) {
  if (inMm) return place % 5 ? (place % 2 ? 3 : 2) : 0;
  if (!law.even) return [0, 1, 2].find((rank) => RANKS[rank].includes(db)) ?? 3;
  const ticks = evenTicks(law);
  const steps = Math.round(db / (ticks[1] - ticks[0]));
  return steps % 4 ? (steps % 2 ? 3 : 2) : 0;
}

// where an even travel has its marks: some ten of them, on whole numbers
function evenTicks({ low, top }) {
  const apart = [1, 2, 3, 6, 12, 20, 30].find((db) => (top - low) / db <= 10) || 60;
  const first = Math.ceil(low / apart) * apart;
  return Array.from({ length: Math.floor((top - first) / apart) + 1 }, (_, k) => first + k * apart);
}

function readNumber(text) {
  const plain = text.trim().toLowerCase().replace(/\u2212/g, "-").replace(",", ".").replace(/\s*(db|mm)$/, "");
  if (["silent", "-inf", "-\u221e", "-infinity"].includes(plain)) return -Infinity;
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}

function render({ model, el, signal }) {
  let law = lawOf(model);
  const names = model.get("names");
  const options = model.get("options"); // any of "mute", "solo"
  const inMm = model.get("scale") === "mm";
  const compact = model.get("compact");
  const root = make("div", "gl gl-faders");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", model.get("label"));
  ownKeys(root);
  el.append(root);

  const values = () => model.get("values_db").map(fromWire);
  const share = (db) => `${(100 * law.mm(db)) / law.length}%`;
  const valueText = (db) => (inMm && db !== -Infinity ? `${numberText(law.mm(db))} mm, ` : "") + levelText(db, "dB", digits(db));
  const digits = (db) => (Math.abs(db * 10 - Math.round(db * 10)) > 1e-6 ? 2 : 1);

  // ---- moving -------------------------------------------------------------------------------------------------
  const say = (text) => (message.textContent = text);

  // how far all may move together without one of them meeting an end: the balance is what the link is for
  const apart = names.map((name) => model.get("apart").includes(name));
  function together(step, all) {
    const moving = all.filter((db, k) => db !== -Infinity && !apart[k]);
    const room = step > 0 ? law.top - Math.max(...moving) : law.low - Math.min(...moving);
    return step > 0 ? Math.min(step, Math.max(room, 0)) : Math.max(step, Math.min(room, 0));
  }

  function wanted(row, db) {
    const all = values();
    const goal = law.even ? Math.min(Math.max(db, law.low), law.top) : db < law.low ? -Infinity : Math.min(db, law.top);
    if (!model.get("locked") || apart[row]) {
      all[row] = tidy(goal);
      return all;
    }
    if (all[row] === -Infinity || goal === -Infinity) {
      say(
        all[row] === -Infinity
          ? `${names[row]} is silent and stays so while all are linked; unlink to raise it.`
          : "All are linked; unlink to silence one."
      );
      return all;
    }
    const asked = goal - all[row];
    const step = together(asked, all);
    if (Math.abs(step - asked) > 1e-6) say("One of the faders is at the end of its travel, so all stop here.");
    return all.map((v, k) => (v === -Infinity || apart[k] ? v : tidy(v + step)));
  }

  const moves = moving(model, "values_db");
  let unreleased = false;
  function move(row, db) {
    say("");
    const next = wanted(row, db);
    const before = values();
    if (next.every((v, k) => v === before[k])) return paint();
    unreleased = true;
    moves.to(next.map(toWire));
  }
  function release() {
    clearTimeout(pause);
    if (!unreleased) return;
    unreleased = false;
    moves.end();
    model.set("gesture", model.get("gesture") + 1);
    model.save_changes();
  }
  let pause = 0;
  const releaseSoon = () => {
    clearTimeout(pause);
    pause = setTimeout(release, KEY_PAUSE_MS);
  };
  const step = (row, by) => {
    const now = values()[row];
    if (now === -Infinity && by > 0) move(row, FROM_SILENCE_DB);
    else move(row, now + by);
  };

  // ---- what is on the page ------------------------------------------------------------------------------------
  const bar = make("div", "gl-bar");
  const message = make("span", "gl-say");
  message.setAttribute("role", "status");
  const lock = make("button", "gl-lock", "Link all");
  lock.title = "Move all faders together by the same number of dB";
  lock.onclick = () => {
    say("");
    model.set("locked", !model.get("locked"));
    model.save_changes();
  };
  if (names.length > 1) bar.append(lock);
  if (compact) bar.append(make("b", "", model.get("label")));
  bar.append(message);
  root.append(bar);

  const rows = make("div", "gl-rows");
  const blanks = (buttons) => options.slice(buttons.length).map(() => make("span"));
  rows.style.gridTemplateColumns =
    `16ch ${"58px ".repeat(options.length)} minmax(200px, 1fr) max-content max-content`;
  rows.style.setProperty("--gl-buttons", "24px ".repeat(options.length));
  root.append(rows);

  const head = make("div", "gl-head");
  head.append(make("span"), ...options.map(() => make("span")));
  const scale = make("div", "gl-scale gl-path-scale");
  const inner = make("div", "gl-path");
  const marks = inMm
    ? Array.from({ length: Math.floor(law.length / 10) + 1 }, (_, k) => [law.db(k * 10), String(k * 10)])
    : law.even
      ? evenTicks(law).map((db) => [db, numberText(db, 0, true)])
      : [[-Infinity, "silent"], ...TICKS_DB.filter((db) => db <= law.top + 0.01).map((db) => [db, numberText(db, 0, true)])];
  for (const [place, [db, text]] of marks.entries()) {
    const mark = make("span", `gl-rank-${rankOf(db, place, law, inMm)}`, text);
    mark.style.left = share(db);
    inner.append(mark);
  }
  scale.append(inner);
  scale.setAttribute("aria-hidden", "true");
  head.append(scale, make("span"), make("span"));
  rows.append(head);

  function toggle(name, kind) {
    const button = make("button", `gl-${kind}`, compact ? kind[0].toUpperCase() : kind);
    button.setAttribute("aria-label", `${kind} ${name}`);
    button.onclick = () => {
      const list = model.get(kind);
      model.set(kind, list.includes(name) ? list.filter((n) => n !== name) : [...list, name]);
      model.set("gesture", model.get("gesture") + 1);
      model.save_changes();
      paint();
    };
    return button;
  }

  function travel(name, row) {
    const host = make("div", "gl-travel");
    const path = make("div", "gl-path");
    path.append(make("div", "gl-groove"));
    for (const [db] of marks) {
      const tick = make("div", "gl-tick");
      tick.style.left = share(db);
      path.append(tick);
    }
    const unity = make("div", "gl-tick gl-unity");
    unity.style.left = share(0);
    const off = make("div", "gl-off");
    const start = make("div", "gl-start");
    const handle = make("div", "gl-handle");
    handle.tabIndex = 0;
    handle.setAttribute("role", "slider");
    handle.setAttribute("aria-label", name);
    handle.setAttribute("aria-orientation", "horizontal");
    handle.setAttribute("aria-valuemin", String(law.low));
    path.append(unity, off, start, handle);
    host.append(path);
    drag(host, path, handle, row);
    handle.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      if (event.key in KEYS) step(row, KEYS[event.key]);
      else if (event.key === "Home") move(row, 0);
      else if (event.key === "End") move(row, -Infinity);
      else return;
      event.preventDefault();
      clearTimeout(pause);
    });
    handle.addEventListener("keyup", releaseSoon);
    handle.addEventListener("blur", release);
    return { host, handle, off, start, unity };
  }

  function drag(host, path, handle, row) {
    let grip = 0;
    const place = (event) => {
      const box = path.getBoundingClientRect();
      const mm = ((event.clientX - grip - box.left) / box.width) * law.length;
      // 0 dB is met exactly: within a pixel of unity the hand means unity
      const near = Math.abs(mm - law.mm(0)) * (box.width / law.length) < 1;
      const db = near ? 0 : law.db(mm);
      move(row, db < law.low ? -Infinity : Math.round(db * 10) / 10);
    };
    host.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      const box = handle.getBoundingClientRect();
      grip = event.target === handle ? event.clientX - (box.left + box.right) / 2 : 0;
      host.setPointerCapture(event.pointerId);
      handle.focus();
      event.preventDefault();
      if (event.target !== handle) place(event);
    });
    host.addEventListener("pointermove", (event) => host.hasPointerCapture(event.pointerId) && place(event));
    host.addEventListener("lostpointercapture", release);
  }

  function numberField(name, row) {
    const field = make("input", "gl-number");
    field.type = "text";
    field.inputMode = "text"; // a phone's number pad may have no minus sign
    field.setAttribute("aria-label", `${name}, ${inMm ? "position in mm" : "gain in dB"}`);
    let typing = false; // a value that arrives meanwhile must not overwrite what is being typed
    const commit = () => {
      let number = readNumber(field.value);
      const limit = inMm ? law.length : tidy(law.top);
      const low = inMm ? 0 : law.even ? law.low : -Infinity;
      if (Number.isNaN(number) || number > limit + 0.01 || number < low - 1e-9) {
        field.setAttribute("aria-invalid", "true");
        say(
          Number.isNaN(number)
            ? `\u201c${field.value}\u201d is not a number; type for example \u22123.5${law.even ? "" : ", or silent"}.`
            : `${name} goes ${inMm ? `from 0 to ${law.length} mm` : (law.even ? `from ${levelText(law.low)} ` : "") + `up to ${levelText(law.top)}`}; ${field.value} is outside.`
        );
        return;
      }
      if (inMm) number = law.db(number);
      typing = false;
      field.removeAttribute("aria-invalid");
      move(row, number);
      release();
    };
    const giveUp = () => {
      typing = false;
      field.removeAttribute("aria-invalid");
      paint();
    };
    field.addEventListener("input", () => (typing = true));
    field.addEventListener("change", commit);
    field.addEventListener("keydown", (event) => {
      if (event.key === "Enter") commit(); // also for text that is the same as before
      else if (event.key === "Escape") giveUp();
      else if (event.key === "ArrowUp" || event.key === "ArrowDown") {
        giveUp();
        step(row, KEYS[event.key]);
        event.preventDefault();
        releaseSoon();
      }
    });
    const show = (db) => typing || (field.value = fieldText(db));
    return { field, show };
  }
  const fieldText = (db) => (inMm ? numberText(law.mm(db), 1) : numberText(db, digits(db), true));

  const lines = names.map((name, row) => {
    const line = make("div", "gl-row");
    const label = make("span", "gl-name", name);
    label.title = name;
    const look = model.get("looks")[row];
    if (look && !apart[row]) {
      const swatch = make("span", "gl-swatch");
      swatch.style.backgroundColor = look.color;
      swatch.dataset.hatch = look.hatch.slice(0, 1);
      label.prepend(swatch);
    }
    const buttons = apart[row] ? [] : options.map((kind) => toggle(name, kind));
    const parts = travel(name, row);
    const number = numberField(name, row);
    line.append(label, ...buttons, ...blanks(buttons), parts.host, number.field, make("span", "gl-unit", inMm ? "mm" : "dB"));
    rows.append(line);
    return { line, buttons, number, ...parts };
  });

  function paint() {
    const all = values();
    const starts = model.get("start_db").map(fromWire);
    const mute = model.get("mute");
    const solo = model.get("solo");
    lock.setAttribute("aria-pressed", String(model.get("locked")));
    lines.forEach((line, row) => {
      const db = all[row];
      const name = names[row];
      line.handle.style.left = share(db);
      line.handle.setAttribute("aria-valuenow", String(Math.max(db, law.low)));
      line.handle.setAttribute("aria-valuemax", String(tidy(law.top)));
      line.handle.setAttribute("aria-valuetext", valueText(db));
      const [from, to] = [law.mm(Math.min(db, 0)), law.mm(Math.max(db, 0))];
      line.off.style.left = `${(100 * from) / law.length}%`;
      line.off.style.width = `${(100 * (to - from)) / law.length}%`;
      line.off.hidden = to - from < 1e-9;
      line.start.style.left = share(starts[row]);
      line.number.show(db);
      line.line.dataset.quiet = String(mute.includes(name) || (solo.length > 0 && !solo.includes(name)));
      line.buttons.forEach((button, k) =>
        button.setAttribute("aria-pressed", String(model.get(options[k]).includes(name)))
      );
    });
  }
  model.on("change:law", () => {
    law = lawOf(model);
    lines.forEach((line) => (line.unity.style.left = share(0)));
    paint();
  });
  model.on("change:values_db change:start_db change:mute change:solo change:locked", paint);
  paint();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));
  return () => clearTimeout(pause);
}
export default { render };
