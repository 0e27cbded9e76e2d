// What a player plays: sources that are switched (SourceSound), or a mix that follows the hand (MixSound). Both ask
// Python for what they have not got, start and stop on one clock, and let go what is not needed any more.

class SourceSound {
  constructor(model, fade) {
    Object.assign(this, { model, fade, received: new Map(), log: [] }); // stamp → {view, channels, frames}
    this.levels = [];
  }
  get seconds() {
    const lengths = this.model.get("stamps").map((stamp) => this.received.get(stamp)?.frames ?? 0);
    return Math.max(0, ...lengths) / this.model.get("rate_hz");
  }
  open(context) {
    this.desk = new Desk(context, this.fade);
    return this.desk.out;
  }
  want() {
    const want = this.model.get("stamps").filter((stamp) => !this.received.has(stamp));
    return want.length ? { want } : null;
  }
  get ready() {
    return !this.want();
  }
  async receive({ stamp, channels, frames }, [view]) {
    this.received.set(stamp, { view, channels, frames });
    this.log.push({ stamp, bytes: view.byteLength, at: Date.now() });
    const wanted = new Set(this.model.get("stamps"));
    for (const old of this.received.keys()) if (!wanted.has(old)) this.received.delete(old);
  }
  progress = () => "";
  get from_s() {
    return this.model.get("from_s");
  }
  // what belongs to the sound that is playing: new levels come in before the new sound they are meant for
  takeLevels() {
    this.match = this.model.get("levels").match_db;
    this.trim();
  }
  trim() {
    const trims = this.model.get("trims_db");
    this.levels = (this.match ?? []).map((db, k) => ratio(db + (trims[k] ?? 0)));
  }
  buffers(context) {
    const frames = Math.round(this.seconds * this.model.get("rate_hz"));
    return this.model.get("stamps").map((stamp) => {
      const { view, channels, frames: own } = this.received.get(stamp);
      return toBuffer(context, view, channels, own, frames, this.model.get("rate_hz"));
    });
  }
  start(offset, looping, when, ended) {
    const { desk, fade } = this;
    this.takeLevels();
    desk.start(this.buffers(desk.context), this.levels, this.model.get("which"), offset, looping, when);
    const { voices } = desk;
    voices[0].source.onended = () => desk.voices === voices && ended();
    for (const { ramp } of voices) {
      const goal = ramp.to;
      Object.assign(ramp, { from: 0, to: 0 });
      ramp.go(goal, when, fade);
    }
  }
  stop(when) {
    this.desk.stop(when);
  }
  select(when) {
    this.desk?.select(this.levels, this.model.get("which"), when);
  }
  retrim(when, waiting) {
    this.trim();
    if (!(waiting && this.model.get("blind"))) this.select(when); // else it comes in with the new sound
  }
  // in a blind test nobody may hear the old sound under a new name
  renewed(when) {
    if (!this.model.get("blind")) return;
    this.model.get("stamps").forEach((stamp, k) => this.received.has(stamp) || (this.levels[k] = 0));
    this.select(when);
  }
  gains = () => this.desk?.voices.map(({ gain }) => gain.gain.value) ?? [];
  samples(k) {
    const { view } = this.received.get(this.model.get("stamps")[k]);
    return Array.from(new Float32Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength)));
  }
  async offline(context, switches) {
    const other = new Desk(context, this.fade);
    this.takeLevels();
    other.start(this.buffers(context), this.levels, this.model.get("which"), 0, this.model.get("looping"), 0);
    for (const [when, k] of switches) other.select(this.levels, k, when);
    return other.out;
  }
}

class MixSound {
  constructor(model, fade) {
    Object.assign(this, { model, fade, log: [] });
    this.pieces = new Map(); // "stamp/block" → AudioBuffer, or null where it is silent
    this.scales = new Map(); // stamp → what a piece is multiplied by
    this.rooms = new Map(); // stamp → {view, frames}
    this.wholes = new Map(); // stamp → the pieces as one
    this.hand = new Map(); // "owner/field" → where the hand has it
    this.standing = new Map(); // mix and owner → {stamp, live} of what came in last
    this.ask = new Set();
    this.untie = [];
    this.changed = () => {};
    this.tie();
  }

  // ---- the hand -----------------------------------------------------------------------------------------------
  // Listens to the controls themselves: a move is heard without asking Python.
  async tie() {
    for (const each of this.model.get("ties")) {
      const other = await this.model.widget_manager.get_model(each.model.replace("IPY_MODEL_", ""));
      const read = () => {
        this.read(other, each);
        this.changed();
      };
      other.on(`change:${each.trait}`, read);
      this.untie.push(() => other.off(`change:${each.trait}`, read));
      this.read(other, each);
    }
  }
  read(other, { trait, row, owners, field, drives }) {
    const held = other.get(trait);
    const put = (owner, value, what = field) => this.hand.set(`${owner}/${what}`, value);
    if (owners && ["mute", "solo"].includes(field)) owners.forEach(([name, owner]) => put(owner, held.includes(name)));
    else if (owners) owners.forEach(([, owner], k) => put(owner, held[k]));
    else {
      const value = row === undefined ? held : held[row];
      for (const [owner, field, scale, offset] of drives) put(owner, Array.isArray(scale) ? scale[value] : value * scale + offset, field);
    }
  }

  // ---- what there is ------------------------------------------------------------------------------------------
  get span() {
    return this.model.get("span");
  }
  get region() {
    const { part, frames } = this.span;
    return this.model.get("whole") ? { start: 0, stop: frames } : { start: part[0], stop: part[1] };
  }
  get seconds() {
    const { start, stop } = this.region;
    return this.ready || this.clock ? (stop - start) / this.model.get("rate_hz") : 0;
  }
  get from_s() {
    return this.region.start / this.model.get("rate_hz");
  }
  get mixes() {
    return this.model.get("mixes");
  }
  stamps() {
    return [...new Set(this.mixes.flatMap(({ taps }) => Object.values(taps)))];
  }
  // Pieces that are missing: the part that is heard first, of all; then the rest of the song of what has one.
  missing() {
    const { edges, long } = this.span;
    const blocks = (stamp) => (long.includes(stamp) ? edges.map((_, k) => k) : [0]);
    const pieces = this.stamps().flatMap((stamp) => blocks(stamp).map((k) => [stamp, k]));
    const rooms = this.mixes.flatMap(({ responses }) => Object.values(responses)).filter((stamp) => !this.rooms.has(stamp));
    const open = pieces.filter(([stamp, k]) => !this.pieces.has(`${stamp}/${k}`)).sort((a, b) => a[1] - b[1]);
    return [...[...new Set(rooms)].map((stamp) => [stamp, -1]), ...open];
  }
  // What Python sends unasked.
  expect() {
    for (const stamp of this.span.coming) this.ask.add(`${stamp}/0`);
  }
  want() {
    const fresh = this.missing().filter((each) => !this.ask.has(each.join("/")));
    fresh.forEach((each) => this.ask.add(each.join("/")));
    return fresh.length ? { want: fresh } : null;
  }
  get ready() {
    return this.missing().every(([, k]) => k > 0 && !this.model.get("whole"));
  }
  progress() {
    const [missing, { edges }] = [this.missing(), this.span];
    const [parts, rest] = [missing.filter(([, k]) => k <= 0), missing.filter(([, k]) => k > 0)];
    const all = this.stamps().length;
    if (parts.length) return `${all - Math.min(parts.length, all)} of ${all} sounds are here \u2026`;
    return rest.length ? `Rest of the song: ${Math.round(100 * (1 - rest.length / (all * (edges.length - 1))))} %` : "";
  }
  async receive({ stamp, block, scale, frames }, views) {
    const came = { stamp, block, bytes: views[0]?.byteLength ?? 0 };
    this.log.push(came);
    if (block < 0) this.rooms.set(stamp, { view: views[0], frames });
    else {
      const bytes = views[0] && views[0].buffer.slice(views[0].byteOffset, views[0].byteOffset + views[0].byteLength);
      const decoder = this.mix?.context ?? new OfflineAudioContext(1, 1, this.model.get("rate_hz"));
      this.scales.set(stamp, scale);
      this.pieces.set(`${stamp}/${block}`, bytes ? await decoder.decodeAudioData(bytes) : null);
    }
    came.at = performance.now();
    const wanted = new Set(this.stamps());
    for (const key of this.pieces.keys()) {
      const old = Number(key.split("/")[0]);
      if (!wanted.has(old)) [this.pieces, this.ask].forEach((each) => each.delete(key)) || this.wholes.delete(old);
    }
    this.join(stamp);
  }
  // As soon as all pieces of a sound are here they become one, and take the place of the part.
  join(stamp) {
    const { edges, frames, long } = this.span;
    if (!long.includes(stamp) || this.wholes.has(stamp)) return;
    const all = edges.map((_, k) => this.pieces.get(`${stamp}/${k}`));
    if (all.includes(undefined)) return;
    const some = all.find((piece) => piece);
    if (!some) return this.wholes.set(stamp, null);
    const buffer = new AudioBuffer({ numberOfChannels: some.numberOfChannels, length: frames, sampleRate: some.sampleRate });
    all.forEach((piece, k) => {
      for (let c = 0; piece && c < piece.numberOfChannels; c++) buffer.copyToChannel(piece.getChannelData(c), c, edges[k][0]);
    });
    this.wholes.set(stamp, buffer);
    edges.forEach((_, k) => this.pieces.set(`${stamp}/${k}`, null)); // it is here, and held once
  }
  sound(stamp) {
    const whole = this.wholes.get(stamp);
    const buffer = whole ?? this.pieces.get(`${stamp}/0`);
    return buffer ? { buffer, first: whole ? 0 : this.span.part[0], scale: this.scales.get(stamp) } : null;
  }

  // ---- what sounds --------------------------------------------------------------------------------------------
  open(context) {
    this.mix = new Mix(context, this.model.get("channels"), this.fade);
    return this.mix.out;
  }
  // A mix as far as its sounds are here: what was heard before stays until its successor has come.
  asHeard(k) {
    const mix = this.mixes[k];
    const [taps, live] = [{}, { ...mix.live }];
    for (const [owner, stamp] of Object.entries(mix.taps)) {
      const key = `${k}/${owner}`;
      if (this.pieces.has(`${stamp}/0`)) this.standing.set(key, { stamp, live: mix.live[owner] });
      const now = this.standing.get(key);
      if (now) [taps[owner], live[owner]] = [now.stamp, now.live];
    }
    return { ...mix, taps, live };
  }
  apply(when, seconds, mix = this.mix) {
    const k = this.model.get("which");
    const { held } = this.mixes[k];
    const hand = held && new Map([...this.hand].filter(([key]) => !held.includes(key)));
    mix.apply(this.asHeard(k), hand, when, seconds);
  }
  build(mix, at, looping, when) {
    const { region } = this;
    const [wanted, rooms] = [new Map(), []];
    this.mixes.forEach((_, k) => {
      const { taps, responses } = this.asHeard(k);
      for (const [owner, stamp] of Object.entries(taps)) wanted.set(`${owner}/${stamp}`, [owner, stamp]);
      rooms.push(...Object.entries(responses).filter(([, stamp]) => this.rooms.has(stamp)));
    });
    for (const [owner, stamp] of rooms) {
      const { view, frames } = this.rooms.get(stamp);
      mix.room(owner, stamp, toBuffer(mix.context, view, 2, frames, frames, mix.context.sampleRate));
    }
    mix.drop(({ owner, stamp }) => wanted.has(`${owner}/${stamp}`), when);
    for (const [owner, stamp] of wanted.values()) {
      const sound = this.sound(stamp);
      if (sound && !mix.has(owner, stamp)) mix.voice(owner, stamp, sound, region, at, looping, when);
    }
  }
  start(offset, looping, when, ended) {
    const { mix } = this;
    mix.drop(() => false, when);
    const rate = mix.context.sampleRate;
    this.clock = { when, at: Math.round(offset * rate), looping };
    this.build(mix, this.clock.at, looping, when);
    const first = mix.voices[0];
    if (first) first.source.onended = () => mix.voices.includes(first) && ended();
    this.apply(when, this.fade);
  }
  // Lets what has come in take its place where the playing is.
  renewed(when) {
    if (!this.mix || !this.clock) return;
    const { start, stop } = this.region;
    const { when: began, at, looping } = this.clock;
    const gone = Math.round((when - began) * this.mix.context.sampleRate);
    this.build(this.mix, (at + gone) % (stop - start), looping, when);
    this.apply(when, this.fade);
  }
  stop(when) {
    this.clock = null;
    this.mix.drop(() => false, when);
  }
  select(when) {
    if (this.mix) this.apply(when, this.fade);
  }
  follow(when) {
    if (this.mix) this.apply(when);
  }
  retrim() {}
  takeLevels() {}
  gains = () => this.mix?.voices.map(({ node }) => node.gain.value) ?? [];

  // The same mix without a sound card, for tests: what leaves it, with moves at [second, key, value], and its meters.
  async offline(context, moves = []) {
    const mix = new Mix(context, this.model.get("channels"), this.fade);
    this.build(mix, 0, true, 0);
    const apply = (when, seconds) => this.apply(when, seconds, mix);
    apply(0, 0);
    for (const [when, key, value] of moves)
      context.suspend(when).then(() => {
        this.hand.set(key, value);
        apply(context.currentTime);
        context.resume();
      });
    return mix;
  }
  meterInputs = (mix = this.mix) => this.model.get("channels").map(({ name }) => mix.parts.get(name).out);
}
