// A mix of strips, groups and a bus in Web Audio, as gainlib.session has it. All that is rendered runs all the time on
// one clock; hands and switches only move gains, each within a short ramp. Also runs in an offline context.
const HAND_S = 0.015; // a gain under the hand takes this long: no click, and not heard as late

const wide = (node) => Object.assign(node, { channelCount: 2, channelCountMode: "explicit", channelInterpretation: "speakers" });

function panPair(pan, law, width) {
  const balance = [Math.min(1, 1 - pan), Math.min(1, 1 + pan)];
  if (width === 2 || law === 0) return balance;
  const power = [Math.sin(((1 - pan) * Math.PI) / 4), Math.sin(((1 + pan) * Math.PI) / 4)];
  const linear = [(1 - pan) / 2, (1 + pan) / 2];
  return law === -3 ? power : law === -6 ? linear : power.map((x, k) => Math.sqrt(x * linear[k]));
}

// What mute and solo leave over: returns whether a way from one to another carries signal, and whether one is heard.
function passing(channels, value) {
  const on = (field) => new Set(channels.map(({ name }) => name).filter((name) => value(name, field)));
  const [muted, soloed] = [on("mute"), on("solo")];
  const [lit, leads] = [new Set(soloed), new Set(soloed)];
  const outputs = ({ to, sends }) => [...to, ...sends.map(([name]) => name)];
  if (soloed.size) {
    for (const each of channels) if (lit.has(each.name)) outputs(each).forEach((name) => lit.add(name));
    for (const each of [...channels].reverse()) if (outputs(each).some((name) => leads.has(name))) leads.add(each.name);
  }
  const way = (from, to) => !muted.has(from) && (!soloed.size || lit.has(from) || leads.has(to));
  const heard = (each) =>
    !muted.has(each.name) && (!soloed.size || lit.has(each.name) || outputs(each).some((to) => way(each.name, to)));
  return { way, heard };
}

class Mix {
  constructor(context, channels, fade) {
    Object.assign(this, { context, channels, fade, voices: [], parts: new Map(), goals: new Map() });
    for (const each of channels) this.parts.set(each.name, this.part(each));
    for (const each of channels) this.wire(each);
    this.bus = this.parts.get("bus").out;
    this.cut = this.limit(); // the converter that is listened through
    this.out = context.createGain();
    this.match = new Ramp(this.out.gain, 1);
    this.bus.connect(this.cut.into);
    this.cut.out.connect(this.out);
  }
  // A way past a cut at full scale, and one through it; a curve may be given to a node only once.
  limit() {
    const [into, out, past, through] = [wide(this.context.createGain()), this.context.createGain(), this.gain(1), this.gain(0)];
    const shaper = new WaveShaperNode(this.context, { curve: [-1, 1] });
    into.connect(past.node).connect(out);
    into.connect(shaper).connect(through.node).connect(out);
    return { into, out, past: past.ramp, through: through.ramp };
  }
  gain(value = 0) {
    const node = this.context.createGain();
    return { node, ramp: new Ramp(node.gain, value) };
  }
  part({ name, width, to, sends }) {
    const { context } = this;
    const sum = this.limit();
    const [dry, pre, left, right] = [this.gain(1), this.gain(), this.gain(), this.gain()];
    const merger = context.createChannelMerger(2);
    sum.out.connect(dry.node).connect(pre.node);
    if (width === 2) {
      wide(pre.node);
      const splitter = context.createChannelSplitter(2);
      pre.node.connect(splitter);
      splitter.connect(left.node, 0);
      splitter.connect(right.node, 1);
    } else {
      pre.node.connect(left.node);
      pre.node.connect(right.node);
    }
    left.node.connect(merger, 0, 0);
    right.node.connect(merger, 0, 1);
    const ways = to.map((goal) => ({ goal, ...this.gain() }));
    const taps = sends.map(([goal, tap]) => ({ goal, tap, ...this.gain() }));
    return { width, sum, dry, pre, left, right, out: merger, ways, taps, rooms: new Map() };
  }
  wire({ name }) {
    const part = this.parts.get(name);
    for (const { goal, node } of part.ways) part.out.connect(node).connect(this.parts.get(goal).sum.into);
    for (const { goal, node } of part.taps) part.pre.node.connect(node).connect(this.parts.get(goal).sum.into);
  }

  // ---- gains --------------------------------------------------------------------------------------------------
  // Moves every gain to where a mix has it, with what is under the hand in place of its own values.
  apply({ values, live, law, fixed, cut, match_db, taps, responses }, hand, when, seconds = HAND_S) {
    const value = (owner, field) => hand?.get(`${owner}/${field}`) ?? values[owner]?.[field];
    const level = (owner, field) => ratio(fromWire(value(owner, field) ?? 0));
    const { way, heard } = passing(this.channels, value);
    const go = (ramp, goal) => ramp.to !== goal && ramp.go(goal, when, seconds);
    const cutOff = ({ past, through }, on) => [go(past, on ? 0 : 1), go(through, on ? 1 : 0)];
    for (const each of this.channels) {
      const { name } = each;
      const part = this.parts.get(name);
      const stand = taps[name] !== undefined; // something rendered stands in for all that leads here
      const room = responses[name];
      go(part.dry.ramp, stand || (room !== undefined && part.rooms.has(room)) ? 0 : 1);
      for (const [stamp, lane] of part.rooms) go(lane.ramp, !stand && stamp === room ? 1 : 0);
      cutOff(part.sum, fixed);
      go(part.pre.ramp, live[name].reduce((all, field) => all * (field === "polarity" ? value(name, field) : level(name, field)), 1));
      const fader = level(name, "fader_db");
      const open = each.to.length ? each.to.some((to) => way(name, to)) : heard(each);
      const pair = name === "bus" ? [1, 1] : panPair(value(name, "pan"), law, part.width);
      go(part.left.ramp, open ? pair[0] * fader : 0);
      go(part.right.ramp, open ? pair[1] * fader : 0);
      for (const { goal, ramp } of part.ways) go(ramp, way(name, goal) ? 1 : 0);
      const centre = panPair(0, law, part.width)[0];
      for (const { goal, tap, ramp } of part.taps)
        go(ramp, way(name, goal) ? centre * level(name, `send ${goal} level_db`) * (tap === "post" ? fader : 1) : 0);
    }
    cutOff(this.cut, cut);
    go(this.match, ratio(match_db));
    for (const voice of this.voices) {
      const goal = taps[voice.owner] === voice.stamp ? voice.scale : 0;
      if (voice.ramp.to !== goal) voice.ramp.go(goal, when, seconds && this.fade);
    }
  }
  // A linear box: its response, which fades in when it is chosen. One that is not needed any more is left to fade out.
  room(name, stamp, buffer) {
    const part = this.parts.get(name);
    if (part.rooms.has(stamp)) return;
    const convolver = new ConvolverNode(this.context, { buffer, disableNormalization: true });
    const lane = this.gain(0);
    part.sum.out.connect(convolver).connect(lane.node).connect(part.pre.node);
    part.rooms.set(stamp, { ...lane, convolver });
  }

  // ---- what runs ----------------------------------------------------------------------------------------------
  // Starts what was rendered for one strip or group; silent until a mix that has it is applied.
  voice(owner, stamp, { buffer, first, scale }, region, at, looping, when) {
    const rate = this.context.sampleRate;
    const source = this.context.createBufferSource();
    const { node, ramp } = this.gain(0);
    source.buffer = buffer;
    source.loop = looping;
    source.loopStart = (region.start - first) / rate;
    source.loopEnd = (region.stop - first) / rate;
    source.connect(node).connect(this.parts.get(owner).pre.node);
    source.start(when, (region.start + at - first) / rate, ...(looping ? [] : [(region.stop - region.start - at) / rate]));
    const voice = { owner, stamp, scale, source, node, ramp };
    this.voices.push(voice);
    return voice;
  }
  has(owner, stamp) {
    return this.voices.some((voice) => voice.owner === owner && voice.stamp === stamp);
  }
  // Ends what `wanted` does not hold, behind its fade.
  drop(wanted, when) {
    const [kept, left] = [[], []];
    for (const voice of this.voices) (wanted(voice) ? kept : left).push(voice);
    for (const { ramp, source } of left) {
      if (ramp.to !== 0) ramp.go(0, when, this.fade);
      source.stop(when + this.fade);
    }
    this.voices = kept;
  }
}
