const FIRST_MS = 10; // scheduled this far ahead, so that no start lies in the past
const HAND_AHEAD_S = 0.003; // a gain under the hand is heard sooner
const AT = "gainlib-at";
const CALM_MS = 500; // between two pictures where somebody wants less motion
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const PLAYING = "gainlib-playing"; // said on the document by the player that starts; all others fall silent

function render({ model, el, signal }) {
  const root = make("div", "gl gl-player");
  root.setAttribute("role", "group");
  root.setAttribute("aria-label", "Listen");
  ownKeys(root);
  el.append(root);
  const fade = model.get("crossfade_s");
  const mixed = model.get("channels").length > 0;
  const sound = new (mixed ? MixSound : SourceSound)(model, fade);
  const meters = mixed ? new MeterRows(model) : null;
  let context, master, analyser, timer;
  let began = 0; // context time at which the offset was played
  let offset = 0; // seconds into the material
  let playing = false;
  let starting = false;
  let waiting = false; // for sound from Python

  // ---- sound --------------------------------------------------------------------------------------------------
  const volume = () => Math.min(model.get("volume_db"), model.get("levels").ceiling_db);
  let ceiling = 0; // of the sound that is playing: new levels come before the new sound they are meant for
  const playedVolume = () => Math.min(model.get("volume_db"), ceiling);
  const soon = () => context.currentTime + FIRST_MS / 1000;
  const onGrid = (time) => Math.ceil(time * context.sampleRate) / context.sampleRate;
  const duration = () => sound.seconds;

  async function open() {
    if (context) return;
    context = new AudioContext({ sampleRate: model.get("rate_hz"), latencyHint: "interactive" });
    const out = context.createGain();
    master = new Ramp(out.gain, 0);
    analyser = context.createAnalyser();
    analyser.fftSize = 8192;
    const beside = await addSoundWork(context);
    const guard = beside ? workletNode(context, "gainlib-guard", 1, model.get("guard")) : context.createGain();
    sound.open(context).connect(out).connect(guard).connect(analyser);
    guard.connect(context.destination);
    if (mixed && beside) meters.open(context, sound.meterInputs());
  }
  function position() {
    const total = duration();
    if (!total) return 0;
    const at = offset + (playing ? Math.max(0, context.currentTime - began) : 0);
    return model.get("looping") ? at % total : Math.min(at, total);
  }
  function ask() {
    const want = sound.want();
    if (want) model.send(want);
    waiting = !sound.ready;
    paint();
    return waiting;
  }
  function run() {
    waiting = false;
    starting = false;
    const when = onGrid(soon());
    if (playing) offset = position() + FIRST_MS / 1000;
    if (!mixed) sound.stop(when); // fades out what sounds while the new sound fades in
    ceiling = model.get("levels").ceiling_db;
    if (offset >= duration()) offset %= duration();
    sound.start(offset, model.get("looping"), when, () => {
      if (model.get("looping")) return;
      halt();
      offset = 0;
      tick();
    });
    master.go(ratio(playedVolume()), when, fade);
    began = when;
    playing = true;
    tell();
    document.dispatchEvent(new CustomEvent(PLAYING, { detail: root }));
    clearInterval(timer);
    timer = setInterval(tick, 100);
    if (mixed) meters.begin();
    requestAnimationFrame(head);
    paint();
  }
  // tells pictures where the playing is
  let shown = 0;
  function head(now) {
    const at = (detail) => document.dispatchEvent(new CustomEvent(AT, { detail: { desk: root.closest(".gl-desk"), ...detail } }));
    if (!playing) return at({ time_s: null });
    if (!calm.matches || now - shown > CALM_MS) {
      at({ time_s: position() + sound.from_s });
      if (mixed) meters.draw(now);
      shown = now;
    }
    requestAnimationFrame(head);
  }
  function halt() {
    starting = false;
    if (playing) {
      offset = position();
      sound.stop(soon());
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
    starting = true;
    paint();
    await open();
    await context.resume();
    if (starting && !ask()) run();
  }
  function seek(to) {
    offset = to;
    if (!playing) return tick();
    playing = false; // the position is the one asked for, not the one reached
    run();
  }
  model.on("msg:custom", async (message, views) => {
    if (!("stamp" in message)) return;
    await sound.receive(message, views);
    paint();
    if (!sound.ready) return;
    if (waiting && (starting || (playing && !mixed))) run();
    else if (playing && mixed) sound.renewed(onGrid(soon()));
    waiting = false;
    paint();
  });
  const onOther = (event) => event.detail !== root && (playing || starting) && halt();
  document.addEventListener(PLAYING, onOther);
  const moves = []; // the last ones, for tests that measure: when the hand moved, and when its sound is due
  sound.changed = () => {
    if (!playing) return;
    const when = context.currentTime + HAND_AHEAD_S;
    sound.follow(when);
    moves.splice(0, moves.length - 200);
    moves.push({ moved: performance.now(), when, played: context.getOutputTimestamp() });
  };

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
  const stretch = make("button", "gl-whole", "Whole song");
  stretch.onclick = () => {
    model.set("whole", !model.get("whole"));
    model.save_changes();
  };
  loop.after(stretch);
  const coming = make("span", "gl-coming");
  coming.setAttribute("role", "status");
  root.append(note, line, sliders, level, match, coming, care, safe, nothing);
  if (mixed) root.append(meters.numbers, meters.root);

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
    coming.textContent = context ? sound.progress() : "";
    coming.hidden = !coming.textContent;
    stretch.setAttribute("aria-pressed", String(Boolean(model.get("whole"))));
    stretch.hidden = !mixed || !model.get("span").can_whole;
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
    level.textContent = loudest_lufs === undefined
      ? "It starts at \u221230 LUFS or below."
      : `Everything is turned ${db > 0 ? "up" : "down"} by ${numberText(Math.abs(db))} dB: it leaves the workbook at ` +
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
    if (context) sound.select(soon());
    paint();
  });
  model.on("change:trims_db", () => context && sound.retrim(soon(), waiting));
  model.on("change:volume_db", () => {
    if (playing) master.go(ratio(playedVolume()), soon(), fade);
    paint();
  });
  model.on("change:levels", paint);
  model.on("change:names", buttons);
  model.on("change:match_text change:note change:looping", paint);
  model.on("change:stamps", () => {
    if (!playing) return paint();
    sound.renewed(soon());
    ask();
  });
  model.on("change:whole", () => {
    if (playing && !ask()) seek(0);
    else if (playing) halt();
    else offset = 0;
    paint();
  });
  model.on("change:mixes", () => {
    if (!context) return;
    sound.expect();
    if (playing) sound.renewed(onGrid(soon()));
    ask();
  });
  buttons();
  tick();
  watchKernel(model, el, signal, (state) => root.classList.toggle("gl-stale", state !== "here"));

  // for tests that look: what is set, what came in, and the same desk rendered without a sound card
  root.gainlib = {
    log: sound.log,
    sound,
    moves,
    meters,
    addSoundWork,
    workletNode,
    position,
    playing: () => playing,
    state: () => context?.state,
    context: () => context,
    gains: sound.gains,
    master: () => master?.param.value ?? 0,
    output: () => report(),
    samples: (k) => sound.samples(k),
    // a mix comes back as it leaves its bus, with its meters; sources as they leave the workbook
    offline: async (seconds, moves = []) => {
      const rate = model.get("rate_hz");
      const target = new OfflineAudioContext(2, Math.round(seconds * rate), rate);
      await addSoundWork(target);
      const made = await sound.offline(target, moves);
      const out = mixed ? made.out : made;
      const level = target.createGain();
      level.gain.value = mixed ? 1 : ratio(volume());
      out.connect(level).connect(target.destination);
      const other = mixed && new MeterRows(model);
      other && other.open(target, sound.meterInputs(made));
      const done = await target.startRendering();
      const samples = [Array.from(done.getChannelData(0)), Array.from(done.getChannelData(1))];
      if (!mixed) return samples;
      const last = Math.floor((seconds * rate) / 1024) * 1024 / rate; // reports come every eight blocks
      while (!(other.at >= last - 1e-6)) await new Promise((later) => setTimeout(later, 5));
      return { samples, meters: other.levels().map((row) => row.map((db) => (db === -Infinity ? null : db))) };
    },
  };
  return () => {
    document.removeEventListener(PLAYING, onOther);
    document.removeEventListener("keydown", onKey);
    clearInterval(timer);
    sound.untie?.forEach((each) => each());
    context?.close();
  };
}
export default { render };
