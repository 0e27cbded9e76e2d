const FIRST_MS = 10; // scheduled this far ahead, so that no start lies in the past
const PLAYING = "gainlib-playing"; // said on the document by the player that starts; all others fall silent

const ratio = (db) => 10 ** (db / 20);

function render({ model, el, signal }) {
  const root = make("div", "gl gl-player");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", "Listen");
  ownKeys(root);
  el.append(root);
  const fade = model.get("crossfade_s");
  const received = new Map(); // stamp → {view, channels, frames}
  const log = [];
  let context, desk, analyser, timer;
  let began = 0; // context time at which the offset was played
  let offset = 0; // seconds into the material
  let playing = false;
  let waiting = false; // for sound from Python
  let starting = false;

  // ---- sound --------------------------------------------------------------------------------------------------
  const volume = () => Math.min(model.get("volume_db"), model.get("levels").ceiling_db);
  // what belongs to the sound that is playing: new levels come in before the new sound they are meant for
  let inUse = { match: [], levels: [], ceiling: 0 };
  function takeLevels() {
    const { match_db, ceiling_db } = model.get("levels");
    inUse = { match: match_db, levels: trimmed(match_db), ceiling: ceiling_db };
  }
  const trimmed = (levels_db) => levels_db.map((db, k) => ratio(db + (model.get("trims_db")[k] ?? 0)));
  const playedVolume = () => Math.min(model.get("volume_db"), inUse.ceiling);
  const missing = () => model.get("stamps").filter((stamp) => !received.has(stamp));
  const soon = () => context.currentTime + FIRST_MS / 1000;
  const length = () => Math.max(0, ...model.get("stamps").map((stamp) => received.get(stamp)?.frames ?? 0));
  const duration = () => length() / model.get("rate_hz");

  function open() {
    if (context) return;
    context = new AudioContext({ sampleRate: model.get("rate_hz") });
    desk = new Desk(context, fade);
    analyser = context.createAnalyser();
    analyser.fftSize = 8192;
    desk.out.connect(analyser);
    desk.out.connect(context.destination);
  }
  const buffers = (target) =>
    model.get("stamps").map((stamp) => {
      const { view, channels, frames } = received.get(stamp);
      return toBuffer(target, view, channels, frames, length(), model.get("rate_hz"));
    });
  function position() {
    const total = duration();
    if (!total) return 0;
    const at = offset + (playing ? Math.max(0, context.currentTime - began) : 0);
    return model.get("looping") ? at % total : Math.min(at, total);
  }
  function ask() {
    const want = missing();
    if (!want.length) return false;
    waiting = true;
    model.send({ want });
    paint();
    return true;
  }
  function run() {
    waiting = false;
    starting = false;
    const when = soon();
    if (playing) offset = position() + FIRST_MS / 1000;
    desk.stop(when); // fades out what sounds while the new sound fades in
    takeLevels();
    if (offset >= duration()) offset %= duration();
    desk.start(buffers(context), inUse.levels, model.get("which"), offset, model.get("looping"), when);
    desk.voices[0].source.onended = ended(desk.voices);
    desk.voices.forEach(({ ramp }) => {
      const goal = ramp.to;
      Object.assign(ramp, { from: 0, to: 0 });
      ramp.go(goal, when, fade);
    });
    desk.master.go(ratio(playedVolume()), when, fade);
    began = when;
    playing = true;
    tell();
    document.dispatchEvent(new CustomEvent(PLAYING, { detail: root }));
    clearInterval(timer);
    timer = setInterval(tick, 100);
    paint();
  }
  const ended = (voices) => () => {
    if (desk.voices !== voices || model.get("looping")) return;
    halt();
    offset = 0;
    tick();
  };
  function halt() {
    starting = false;
    if (playing) {
      offset = position();
      desk.stop(soon());
      playing = false;
      tell();
    }
    clearInterval(timer);
    tick();
    paint();
  }
  function tell() {
    model.set("playing", playing);
    model.save_changes();
  }
  async function toggle() {
    if (playing || starting) return halt();
    open();
    starting = true;
    await context.resume();
    if (!ask()) run();
  }
  function seek(to) {
    offset = to;
    if (!playing) return tick();
    playing = false; // the position is the one asked for, not the one reached
    run();
  }
  model.on("msg:custom", (message, views) => {
    if (!("stamp" in message)) return;
    received.set(message.stamp, { view: views[0], channels: message.channels, frames: message.frames });
    log.push({ stamp: message.stamp, bytes: views[0].byteLength, at: Date.now() });
    const wanted = new Set(model.get("stamps"));
    for (const stamp of received.keys()) if (!wanted.has(stamp)) received.delete(stamp);
    if (missing().length || !waiting) return;
    waiting = false;
    if (starting || playing) run();
  });
  const onOther = (event) => event.detail !== root && (playing || starting) && halt();
  document.addEventListener(PLAYING, onOther);

  // ---- what is on the page ------------------------------------------------------------------------------------
  const note = make("div", "gl-note");
  const care = make("div", "gl-care");
  const line = make("div", "gl-line");
  const play = make("button", "gl-play");
  const loop = make("button", "gl-loop", "Loop");
  const choice = make("div", "gl-choice");
  choice.setAttribute("role", "group");
  choice.setAttribute("aria-label", "Which source sounds");
  const hear = make("span", "gl-hear", "Hear:");
  line.append(play, loop, hear, choice);
  play.onclick = toggle;
  loop.onclick = () => {
    const at = position();
    model.set("looping", !model.get("looping"));
    model.save_changes();
    if (playing) seek(at);
  };

  function slider(label, name) {
    const wrap = make("label");
    const input = make("input", name);
    input.type = "range";
    const out = make("output");
    wrap.append(make("span", "", label), input, out);
    return { wrap, input, out };
  }
  const place = slider("Position", "gl-position");
  place.input.min = 0;
  place.input.step = 0.1;
  place.input.oninput = () => seek(Number(place.input.value));
  const loud = slider("Playback level", "gl-volume");
  loud.input.step = 0.1;
  loud.input.oninput = () => setVolume(Number(loud.input.value));
  loud.input.addEventListener("keydown", (event) => {
    const by = { ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 6, PageDown: -6 }[event.key];
    if (!by) return;
    event.preventDefault();
    setVolume(Number(loud.input.value) + by);
  });
  function setVolume(db) {
    const { ceiling_db: most, quietest_db: least } = model.get("levels");
    model.set("volume_db", Math.round(Math.min(Math.max(db, least), most) * 10) / 10);
    model.save_changes();
  }
  const sliders = make("div", "gl-line");
  sliders.append(place.wrap, loud.wrap);

  const level = make("div", "gl-level");
  level.setAttribute("role", "status");
  const match = make("div", "gl-match");
  const nothing = make("details", "gl-nothing");
  const now = make("p", "gl-now");
  nothing.append(make("summary", "", "I hear nothing"), list("silence_help"), now);
  const safe = make("details", "gl-safe");
  safe.append(make("summary", "", "Listen safely"), list("care", 1));
  function list(name, from = 0) {
    const ul = make("ul");
    for (const text of model.get(name).slice(from)) ul.append(make("li", "", text));
    return ul;
  }
  care.textContent = model.get("care")[0];
  root.append(note, line, sliders, level, match, care, safe, nothing);

  // number keys switch from anywhere in the player, and in a blind test from anywhere around it but a line of text
  function onKey(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.target.type === "text") return;
    const k = Number(event.key) - 1;
    const home = root.closest(".gl-blind") ?? root;
    if (home.contains(event.target) && Number.isInteger(k) && k >= 0 && k < model.get("names").length) choose(k);
  }
  document.addEventListener("keydown", onKey);
  requestAnimationFrame(() => root.closest(".gl-blind") && ownKeys(root.closest(".gl-blind")));
  function choose(k) {
    model.set("which", k);
    model.save_changes();
  }
  function buttons() {
    choice.replaceChildren(
      ...model.get("names").map((name, k) => {
        const button = make("button", "gl-source", name);
        button.title = `Key ${k + 1}`;
        button.onclick = () => choose(k);
        return button;
      })
    );
    choice.hidden = hear.hidden = model.get("names").length < 2;
    paint();
  }
  function paint() {
    const busy = waiting && (starting || playing);
    play.textContent = playing ? "\u25A0 Stop" : starting ? "\u25A0 Fetching the sound \u2026" : "\u25B6 Play";
    play.setAttribute("aria-pressed", String(playing));
    root.setAttribute("aria-busy", String(busy));
    loop.setAttribute("aria-pressed", String(model.get("looping")));
    [...choice.children].forEach((b, k) => b.setAttribute("aria-pressed", String(k === model.get("which"))));
    note.textContent = model.get("note");
    note.hidden = !model.get("note");
    match.textContent = model.get("match_text");
    match.hidden = !model.get("match_text");
    const { ceiling_db, quietest_db, loudest_lufs, true_peak_dbtp } = model.get("levels");
    const db = volume();
    loud.input.min = quietest_db;
    loud.input.max = ceiling_db;
    loud.input.value = db;
    loud.input.setAttribute("aria-valuetext", levelText(db));
    loud.out.textContent = levelText(db);
    const leaves = (value, unit) => levelText(value === null ? -Infinity : value + db, unit);
    level.textContent =
      `Everything is turned ${db > 0 ? "up" : "down"} by ${numberText(Math.abs(db))} dB: it leaves the workbook at ` +
      `${leaves(loudest_lufs, "LUFS")}, true peak ${leaves(true_peak_dbtp, "dBTP")}.`;
  }
  function tick() {
    const total = duration();
    const at = position();
    place.input.max = total || 1;
    place.input.disabled = !total;
    place.input.value = at;
    const text = total ? `${at.toFixed(1)} of ${total.toFixed(1)} s` : "press Play";
    place.input.setAttribute("aria-valuetext", text);
    place.out.textContent = text;
    if (nothing.open) now.textContent = report();
  }
  function report() {
    if (!context) return "Leaving the workbook now: nothing, because Play has not been pressed yet.";
    const data = new Float32Array(analyser.fftSize);
    analyser.getFloatTimeDomainData(data);
    const peak = data.reduce((most, x) => Math.max(most, Math.abs(x)), 0);
    return (
      `Leaving the workbook now: ${peak > 0 ? levelText(20 * Math.log10(peak), "dBFS peak") : "silent"}. ` +
      `The browser\u2019s sound is ${context.state}, ${context.sampleRate} Hz, ${context.destination.channelCount} channels.`
    );
  }
  nothing.addEventListener("toggle", tick);

  model.on("change:which", () => {
    if (desk) desk.select(inUse.levels, model.get("which"), soon());
    paint();
  });
  model.on("change:trims_db", () => {
    inUse.levels = trimmed(inUse.match);
    if (waiting && model.get("blind")) return; // comes in with the new sound
    if (desk) desk.select(inUse.levels, model.get("which"), soon());
  });
  model.on("change:volume_db", () => {
    if (playing) desk.master.go(ratio(playedVolume()), soon(), fade);
    paint();
  });
  model.on("change:levels", paint);
  model.on("change:names", buttons);
  model.on("change:match_text change:note change:looping", paint);
  // in a blind test nobody may hear the old sound under a new name
  function silenceMissing() {
    model.get("stamps").forEach((stamp, k) => {
      if (!received.has(stamp)) inUse.levels[k] = 0;
    });
    desk.select(inUse.levels, model.get("which"), soon());
  }
  model.on("change:stamps", () => {
    if (!playing) return paint();
    if (model.get("blind")) silenceMissing();
    ask();
  });
  buttons();
  tick();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));

  // for tests that look: what is set, what came in, and the same desk rendered without a sound card
  root.gainlib = {
    log,
    position,
    playing: () => playing,
    state: () => context?.state,
    gains: () => desk?.voices.map(({ gain }) => gain.gain.value) ?? [],
    master: () => desk?.out.gain.value ?? 0,
    output: () => report(),
    samples: (k) => {
      const { view } = received.get(model.get("stamps")[k]);
      return Array.from(new Float32Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength)));
    },
    offline: async (seconds, switches = []) => {
      const frames = Math.round(seconds * model.get("rate_hz"));
      const target = new OfflineAudioContext(2, frames, model.get("rate_hz"));
      const other = new Desk(target, fade);
      takeLevels();
      other.master = new Ramp(other.out.gain, ratio(volume()));
      other.out.connect(target.destination);
      other.start(buffers(target), inUse.levels, model.get("which"), 0, model.get("looping"), 0);
      for (const [when, k] of switches) other.select(inUse.levels, k, when);
      const made = await target.startRendering();
      return [Array.from(made.getChannelData(0)), Array.from(made.getChannelData(1))];
    },
  };
  return () => {
    document.removeEventListener(PLAYING, onOther);
    document.removeEventListener("keydown", onKey);
    clearInterval(timer);
    context?.close();
  };
}
export default { render };
