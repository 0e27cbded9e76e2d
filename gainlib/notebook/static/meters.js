// What runs beside the page: meters that read as gainlib.meters does, and the last limiter. Travels as text into the
// audio thread, so it may use nothing from outside.
function soundWork() {
  const BLOCK = 128;
  const EVERY = 8; // blocks between two reports: 21 ms
  const WINDOW_S = 0.3; // of the RMS that is shown

  // One channel pair: sample peak, RMS without DC, the needle's movement on the mean of the rectified sides.
  class Reading {
    constructor({ highPass, movement, between }) {
      Object.assign(this, { highPass, movement, between });
      this.kept = between.length ? between[0].length - 1 : 0; // samples that points between others reach over
      this.lines = [0, 1].map(() => new Float64Array(this.kept + BLOCK));
      this.ring = Array.from({ length: Math.round((WINDOW_S * sampleRate) / BLOCK) }, () => [0, 0, 0, 0]);
      this.sums = [0, 0, 0, 0];
      this.last = [0, 0];
      this.held = [0, 0];
      this.place = this.speed = this.peak = 0;
      this.next = 0;
      this.begin();
    }
    begin() {
      this.all = { peak: 0, sums: [0, 0, 0, 0], frames: 0, needle: 0 };
    }
    take(channels) {
      const left = channels[0];
      const right = channels[1] ?? left;
      const sides = left ? [left, right] : null;
      const [gain, pole] = this.highPass;
      const [m0, m1, m2, m3, m4, m5] = this.movement;
      const block = [0, 0, 0, 0];
      this.lines.forEach((line, side) => {
        line.copyWithin(0, BLOCK);
        for (let n = 0; n < BLOCK; n++) {
          const x = sides ? sides[side][n] : 0;
          block[side] += x;
          block[side + 2] += x * x;
          if (Math.abs(x) > this.peak) this.peak = Math.abs(x);
          const y = gain * (x - this.last[side]) + pole * this.held[side];
          this.last[side] = x;
          this.held[side] = line[this.kept + n] = y;
        }
      });
      for (let n = 0; n < BLOCK; n++) {
        let drive = 0;
        for (const line of this.lines) {
          drive += Math.abs(line[n + (this.kept >> 1)]);
          for (const taps of this.between) {
            let point = 0;
            for (let k = 0; k < taps.length; k++) point += taps[k] * line[n + k];
            drive += Math.abs(point);
          }
        }
        const u = drive / (2 + 2 * this.between.length);
        const place = m0 * this.place + m1 * this.speed + m2 * u;
        this.speed = m3 * this.place + m4 * this.speed + m5 * u;
        this.place = place;
        if (place > this.all.needle) this.all.needle = place;
      }
      if (Math.abs(this.place) < 1e-30 && Math.abs(this.speed) < 1e-30) this.place = this.speed = 0;
      const old = this.ring[this.next];
      for (let k = 0; k < 4; k++) {
        this.sums[k] += block[k] - old[k];
        this.all.sums[k] += block[k];
      }
      this.ring[this.next] = block;
      this.next = (this.next + 1) % this.ring.length;
      if (this.next === 0) this.sums = this.ring.reduce((sum, each) => sum.map((x, k) => x + each[k]), [0, 0, 0, 0]); // no drift
      this.all.frames += BLOCK;
    }
    static rms(sums, frames) {
      const power = (side) => sums[side + 2] / frames - (sums[side] / frames) ** 2;
      return Math.sqrt(Math.max((power(0) + power(1)) / 2, 0));
    }
    report() {
      this.all.peak = Math.max(this.all.peak, this.peak);
      const now = [this.peak, Reading.rms(this.sums, this.ring.length * BLOCK), this.place];
      this.peak = 0;
      return now;
    }
    whole() {
      const { peak, sums, frames, needle } = this.all;
      return { peak: Math.max(peak, this.peak), rms: frames ? Reading.rms(sums, frames) : 0, needle };
    }
  }

  // As many readings as there are inputs; tells them about fifty times a second, with those since the last message.
  class Meters extends AudioWorkletProcessor {
    constructor({ numberOfInputs, processorOptions }) {
      super();
      this.readings = Array.from({ length: numberOfInputs }, () => new Reading(processorOptions));
      this.blocks = 0;
      this.port.onmessage = () => this.readings.forEach((each) => each.begin());
    }
    process(inputs) {
      inputs.forEach((channels, k) => this.readings[k].take(channels));
      if (++this.blocks % EVERY === 0) {
        const now = Float32Array.from(this.readings.flatMap((each) => each.report()));
        this.port.postMessage({ now, whole: this.readings.map((each) => each.whole()), at: currentTime + BLOCK / sampleRate });
      }
      return true;
    }
  }
  registerProcessor("gainlib-meters", Meters);

  // Nothing louder than allowed gets past: no 400 ms above the limit of loudness, no true peak above the ceiling. Each
  // block may spend a share of the energy that the last 400 ms leave over, so that the limit is kept by what has left;
  // the sound is held back by one block, in which the gain gets to where the next one needs it.
  const SPREAD = 0.25; // of the 400 ms, over which what is left over may be spent
  const RISE = 1.02; // a block, at most: 0.17 dB
  class Guard extends AudioWorkletProcessor {
    constructor({ processorOptions: { weighting, taps, power, ceiling } }) {
      super();
      Object.assign(this, { weighting, taps, ceiling });
      const count = Math.round((0.4 * sampleRate) / BLOCK);
      this.room = power * count * BLOCK;
      this.spent = new Float64Array(count);
      this.next = this.used = 0;
      this.gain = this.wanted = 1;
      this.lines = [0, 1].map(() => ({ held: new Float32Array(BLOCK), tail: new Float32Array(BLOCK + 16), state: new Float64Array(8) }));
    }
    energy(samples, state) {
      const w = this.weighting;
      let sum = 0;
      for (let n = 0; n < BLOCK; n++) {
        let x = samples[n];
        for (let s = 0; s < 2; s++) {
          const [b, at] = [5 * s, 4 * s];
          const y = w[b] * x + w[b + 1] * state[at] + w[b + 2] * state[at + 1] - w[b + 3] * state[at + 2] - w[b + 4] * state[at + 3];
          state[at + 1] = state[at];
          state[at] = x;
          state[at + 3] = state[at + 2];
          state[at + 2] = y;
          x = y;
        }
        sum += x * x;
      }
      return sum;
    }
    peak(samples, tail) {
      tail.copyWithin(0, BLOCK);
      tail.set(samples, 16);
      let most = 0;
      for (const row of this.taps)
        for (let n = 0; n < BLOCK; n++) {
          let x = 0;
          for (let k = 0; k < row.length; k++) x += row[k] * tail[n + 1 + k];
          if (Math.abs(x) > most) most = Math.abs(x);
        }
      return most;
    }
    process([input], [output]) {
      let energy = 0;
      let peak = 0;
      const silence = new Float32Array(BLOCK);
      const fresh = [input[0] ?? silence, input[1] ?? input[0] ?? silence];
      this.lines.forEach((line, side) => {
        energy += this.energy(fresh[side], line.state);
        peak = Math.max(peak, this.peak(fresh[side], line.tail));
      });
      this.used -= this.spent[this.next];
      const left = Math.max(this.room - this.used, 0) / (SPREAD * this.spent.length);
      let allowed = Math.min(1, this.gain * RISE);
      if (energy * allowed ** 2 > left) allowed = Math.sqrt(left / energy);
      if (peak * allowed > this.ceiling) allowed = this.ceiling / peak;
      const to = Math.min(this.wanted, allowed); // where the block that leaves now has to end
      this.lines.forEach((line, side) => {
        const out = output[side];
        if (out) for (let n = 0; n < BLOCK; n++) out[n] = line.held[n] * (this.gain + ((to - this.gain) * (n + 1)) / BLOCK);
        line.held.set(fresh[side]);
      });
      this.gain = to;
      this.wanted = allowed;
      this.spent[this.next] = energy * allowed ** 2;
      this.next = (this.next + 1) % this.spent.length;
      this.used = this.spent.reduce((sum, each) => sum + each, 0);
      return true;
    }
  }
  registerProcessor("gainlib-guard", Guard);
}

// Returns whether the browser lets sound be worked on beside the page; it does so on this machine and over https.
const readyFor = new WeakMap();
function addSoundWork(context) {
  if (!context.audioWorklet) return Promise.resolve(false);
  if (!readyFor.has(context)) {
    const url = URL.createObjectURL(new Blob([`(${soundWork})()`], { type: "text/javascript" }));
    const added = context.audioWorklet.addModule(url).then(() => true, () => false);
    readyFor.set(context, added.finally(() => URL.revokeObjectURL(url)));
  }
  return readyFor.get(context);
}
const workletNode = (context, name, inputs, processorOptions) =>
  new AudioWorkletNode(context, name, {
    numberOfInputs: inputs,
    numberOfOutputs: 1,
    outputChannelCount: [2],
    channelCount: 2,
    channelCountMode: "explicit",
    processorOptions,
  });
