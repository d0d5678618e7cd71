// The moves of one mix as sound: the reference once, and of each move only what it changes. What is
// ticked is summed and measured anew, so that every choice of moves is heard at one loudness.

/** What a move changes, kept as 16-bit steps below its own peak: half of what a buffer takes. */
class Change {
  constructor(channels) {
    let peak = 1e-9;
    for (const samples of channels) for (const x of samples) if (Math.abs(x) > peak) peak = Math.abs(x);
    this.scale = peak / 32767;
    this.channels = channels.map((samples) => {
      const steps = new Int16Array(samples.length);
      for (let at = 0; at < steps.length; at++) steps[at] = Math.round(samples[at] / this.scale);
      return steps;
    });
  }

  addTo(targets) {
    this.channels.forEach((steps, index) => {
      const target = targets[index];
      for (let at = 0; at < target.length; at++) target[at] += this.scale * steps[at];
    });
  }
}

const bothOf = (buffer) => [buffer.getChannelData(0), buffer.getChannelData(1)];
const ownOf = (buffer, rate) => new AudioBuffer({ length: buffer.length, numberOfChannels: 2, sampleRate: rate });

/** The passage with any of the moves of a mix made. */
class PathSound {
  /** `items`: [{tracks}] in order; `part(rank, track)` and `reference` give pieces of WAV files. */
  constructor(rank, items, { base, part, gain }) {
    Object.assign(this, { rank, items, base, part, gain, rate: base.sampleRate, changes: [] });
    const level = integratedLoudness(bothOf(base), this.rate);
    this.target = level;
    this.baseLevel = level;
  }

  /** Both versions of a placed track, [reference, moved]; kept while that layer is listened to. */
  async layer(track) {
    if (this.heard?.track !== track) {
      const pair = [0, this.rank].map(() => ownOf(this.base, this.rate));
      await addSound(this.part(0, track), bothOf(pair[0]), this.gain);
      await addSound(this.part(this.rank, track), bothOf(pair[1]), this.gain);
      this.heard = { track, pair };
    }
    return this.heard.pair;
  }

  async load(told) {
    const sum = [0, 1].map(() => new Float32Array(this.base.length));
    for (const [number, item] of this.items.entries()) {
      told(number, this.items.length);
      for (const target of sum) target.fill(0);
      for (const track of item.tracks) {
        const moved = addSound(this.part(this.rank, track), sum, this.gain);
        await Promise.all([moved, addSound(this.part(0, track), sum, -this.gain)]);
      }
      this.changes.push(new Change(sum));
    }
  }

  /** A sound of the passage with the ticked moves made. */
  made(ticked) {
    const buffer = ownOf(this.base, this.rate);
    const channels = bothOf(buffer);
    channels.forEach((target, index) => target.set(this.base.getChannelData(index)));
    this.changes.forEach((change, index) => ticked[index] && change.addTo(channels));
    return this.measured(buffer);
  }

  /** A sound with its loudness, and the common loudness lowered where its peak would pass the ceiling. */
  measured(buffer, stem = null) {
    const level = integratedLoudness(bothOf(buffer), this.rate);
    const room = 20 * Math.log10(truePeak(bothOf(buffer))) - run.ceiling_dbtp;
    if (Number.isFinite(level)) this.target = Math.min(this.target, level - room);
    return { buffer, stem, level };
  }

  gainOf(sound) {
    return Number.isFinite(sound.level) && Number.isFinite(this.target) ? dB(this.target - sound.level) : 1;
  }

  /** Bytes held: the reference and what each move changes. */
  get bytes() {
    return this.base.length * (8 + 4 * this.changes.length);
  }
}
