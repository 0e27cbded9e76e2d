const ratio = (db) => 10 ** (db / 20);

// A gain that knows its own value while it ramps; the browsers differ in what they report.
class Ramp {
  constructor(param, value) {
    Object.assign(this, { param, from: value, to: value, start: 0, end: 0 });
    param.value = value;
  }
  at(time) {
    if (time >= this.end) return this.to;
    if (time <= this.start) return this.from;
    return this.from + ((this.to - this.from) * (time - this.start)) / (this.end - this.start);
  }
  go(value, time, seconds) {
    const now = this.at(time);
    this.param.cancelScheduledValues(0);
    this.param.setValueAtTime(now, time);
    this.param.linearRampToValueAtTime(value, time + seconds);
    Object.assign(this, { from: now, to: value, start: time, end: time + seconds });
  }
}

// All sources run all the time on one clock; switching only moves gains. Also runs in an offline context.
class Desk {
  constructor(context, fadeSeconds) {
    this.context = context;
    this.fade = fadeSeconds;
    this.out = context.createGain();
    this.voices = [];
  }
  voice(buffer, level) {
    const source = this.context.createBufferSource();
    source.buffer = buffer;
    const gain = this.context.createGain();
    source.connect(gain).connect(this.out);
    return { source, gain, ramp: new Ramp(gain.gain, level) };
  }
  start(buffers, levels, which, offset, looping, when) {
    this.voices = buffers.map((buffer, k) => this.voice(buffer, k === which ? levels[k] : 0));
    for (const { source } of this.voices) {
      source.loop = looping;
      source.start(when, offset);
    }
  }
  select(levels, which, when) {
    this.voices.forEach(({ ramp }, k) => {
      const goal = k === which ? levels[k] : 0;
      if (ramp.to !== goal) ramp.go(goal, when, this.fade);
    });
  }
  stop(when) {
    for (const { source, ramp } of this.voices) {
      ramp.go(0, when, this.fade);
      source.stop(when + this.fade);
    }
    this.voices = [];
  }
}

function toBuffer(context, view, channels, frames, length, rate) {
  const all = new Float32Array(view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength));
  const buffer = context.createBuffer(channels, length, rate); // longer than the source: the rest is silence
  for (let c = 0; c < channels; c++) buffer.copyToChannel(all.subarray(c * frames, (c + 1) * frames), c);
  return buffer;
}
