// How the versions sound: all of them run at once on one audio clock and only their gains change, so
// that a switch keeps the position to the sample. A version can be put in another's place meanwhile.

const CROSSFADE = 0.002; // s, time constant of a switch; the gains of old and new sum to one
const AHEAD = 0.03; // s between the order to put in another sound and its first sample
const dB = (value) => 10 ** (value / 20);

/** Sample-exact player on Web Audio. A sound is {buffer, stem, gain}; stem may be null, gain left out. */
class ExactPlayer {
  constructor() {
    this.exact = true;
    this.sounds = [];
    this.current = 0;
    this.offset = 0;
    this.playing = false;
    this.settings = { volume: -20, mono: false, ways: false, loop: true, from: 0, to: 1, rest: -12 };
  }

  /**
   * Make the audio graph: sounds -> input -> (stereo | mono fold-down) -> (as it is | loudspeakers)
   * -> volume -> output.
   */
  open(rate) {
    if (this.context) return;
    this.context = new AudioContext({ sampleRate: rate });
    const make = (gain) => new GainNode(this.context, { gain });
    this.input = make(1);
    this.stereo = make(1);
    this.fold = new GainNode(this.context, { channelCount: 1, channelCountMode: "explicit", gain: 0 });
    this.plain = make(1);
    this.speakers = make(0);
    this.volume = make(dB(this.settings.volume));
    this.head = this.loudspeakers(rate);
    for (const way of [this.stereo, this.fold]) {
      this.input.connect(way).connect(this.plain);
      way.connect(this.head);
    }
    this.plain.connect(this.volume);
    this.head.connect(this.speakers).connect(this.volume);
    this.volume.connect(this.context.destination);
    this.apply();
  }

  /** From two loudspeakers to two ears: left to left, left to right, right to left, right to right. */
  loudspeakers(rate) {
    const { near, far } = run.speakers;
    const buffer = new AudioBuffer({ length: near.length, numberOfChannels: 4, sampleRate: rate });
    [near, far, far, near].forEach((taps, channel) => buffer.copyToChannel(Float32Array.from(taps), channel));
    return new ConvolverNode(this.context, { buffer, disableNormalization: true });
  }

  glide(param, value, when = this.context.currentTime) {
    param.setTargetAtTime(value, when, CROSSFADE);
  }

  /** Take new sounds that begin at `start` s of the cue. */
  replace(sounds, start) {
    const going = this.playing;
    const at = this.position;
    this.halt();
    this.sounds = sounds;
    this.start = start;
    this.length = Math.min(...sounds.map((sound) => sound.buffer.duration));
    this.current = Math.min(this.current, sounds.length - 1);
    this.offset = this.inside(at);
    if (going) this.play();
  }

  inside(position) {
    const { loop, from, to } = this.settings;
    const end = this.start + this.length;
    const [low, high] = loop ? [Math.max(from, this.start), Math.min(to, end)] : [this.start, end];
    return position >= low && position < high - 0.01 ? position : Math.min(low, end - 0.01);
  }

  async play() {
    this.open(this.sounds[0].buffer.sampleRate);
    this.playing = true;
    await this.context.resume();
    if (!this.playing || this.nodes) return;
    const rate = this.context.sampleRate;
    const frames = (seconds) => Math.round(seconds * rate);
    const { loop, from, to } = this.settings;
    const length = frames(this.length);
    const inside = (second) => Math.max(0, Math.min(length, frames(second - this.start)));
    this.cycle = loop ? [inside(from), inside(to)] : [0, length];
    this.begin = frames(this.offset - this.start);
    this.began = Math.ceil((this.context.currentTime + 0.05) * rate);
    this.nodes = this.sounds.map((sound, index) =>
      this.started(sound, index === this.current ? (sound.gain ?? 1) : 0, this.began, this.begin),
    );
  }

  /** A sound that runs from frame `at` of its buffer on, at frame `when` of the audio clock. */
  started(sound, gain, when, at) {
    const rest = dB(this.settings.rest);
    const gate = new GainNode(this.context, { gain });
    const whole = new GainNode(this.context, { gain: sound.stem ? rest : 1 });
    whole.connect(gate).connect(this.input);
    const parts = [[sound.buffer, whole]];
    let layer = null;
    if (sound.stem) {
      layer = new GainNode(this.context, { gain: 1 - rest });
      layer.connect(gate);
      parts.push([sound.stem, layer]);
    }
    const rate = this.context.sampleRate;
    const sources = parts.map(([buffer, to]) => {
      const node = new AudioBufferSourceNode(this.context, { buffer, loop: true });
      [node.loopStart, node.loopEnd] = this.cycle.map((frame) => frame / rate);
      node.connect(to);
      node.start(when / rate, at / rate);
      return node;
    });
    return { gate, whole, layer, sources };
  }

  /** Frame of the buffers that is heard at frame `when` of the audio clock. */
  frameAt(when) {
    const at = this.begin + Math.max(0, when - this.began);
    const [low, high] = this.cycle;
    return at < high ? at : low + ((at - low) % (high - low));
  }

  /** Put a sound in the place of another, without a gap while it plays, and hear it if so asked. */
  swap(index, sound, heard = false) {
    this.sounds[index] = sound;
    if (heard) this.current = index;
    if (!this.nodes) return;
    const rate = this.context.sampleRate;
    const when = Math.ceil((this.context.currentTime + AHEAD) * rate);
    const past = this.nodes[index];
    const fresh = this.started(sound, 0, when, this.frameAt(when));
    this.nodes[index] = fresh;
    this.glide(past.gate.gain, 0, when / rate);
    for (const source of past.sources) source.stop(when / rate + 20 * CROSSFADE);
    if (index !== this.current) return;
    for (const node of this.nodes) this.glide(node.gate.gain, node === fresh ? (sound.gain ?? 1) : 0, when / rate);
  }

  halt() {
    for (const node of this.nodes ?? []) {
      for (const source of node.sources) source.stop();
      node.gate.disconnect();
    }
    this.nodes = null;
  }

  stop() {
    this.offset = this.sounds.length ? this.inside(this.position) : 0;
    this.playing = false;
    this.halt();
  }

  seek(position) {
    const going = this.playing;
    this.stop();
    this.offset = this.inside(position);
    if (going) this.play();
  }

  /** Position in the cue, s, by the audio clock. */
  get position() {
    if (!this.nodes) return this.offset;
    const rate = this.context.sampleRate;
    return this.start + this.frameAt(this.context.currentTime * rate) / rate;
  }

  select(index) {
    this.current = index;
    this.nodes?.forEach((node, i) => this.glide(node.gate.gain, i === index ? (this.sounds[i].gain ?? 1) : 0));
  }

  set(changes) {
    const again = ["loop", "from", "to"].some((key) => key in changes && changes[key] !== this.settings[key]);
    const at = this.sounds.length ? this.position : 0;
    Object.assign(this.settings, changes);
    this.apply();
    if (again && this.sounds.length) this.seek(at);
  }

  apply() {
    if (!this.context) return;
    const { volume, mono, ways, rest } = this.settings;
    this.glide(this.volume.gain, dB(volume));
    this.glide(this.stereo.gain, mono ? 0 : 1);
    this.glide(this.fold.gain, mono ? 1 : 0);
    this.glide(this.plain.gain, ways ? 0 : 1);
    this.glide(this.speakers.gain, ways ? 1 : 0);
    for (const { whole, layer } of this.nodes ?? []) {
      if (layer) {
        this.glide(whole.gain, dB(rest));
        this.glide(layer.gain, 1 - dB(rest));
      }
    }
  }
}

/** Plain player for a page opened as a file: one audio element a mix, switched with a short gap. */
class PlainPlayer {
  constructor() {
    this.exact = false;
    this.sounds = [];
    this.current = 0;
    this.playing = false;
    this.settings = { volume: -20, mono: false, ways: false, loop: true, from: 0, to: 1, rest: -12 };
  }

  replace(sounds) {
    const at = this.position;
    const going = this.playing;
    this.stop();
    this.sounds = sounds.map(({ url, gain }) => {
      const audio = new Audio(url);
      audio.preload = "auto";
      return { audio, gain };
    });
    this.current = Math.min(this.current, sounds.length - 1);
    this.apply();
    this.seek(at);
    if (going) this.play();
  }

  get audio() {
    return this.sounds[this.current]?.audio;
  }

  get position() {
    return this.audio?.currentTime ?? 0;
  }

  async play() {
    this.playing = true;
    this.seek(this.position);
    await this.audio.play();
    clearInterval(this.timer);
    this.timer = setInterval(() => {
      if (this.settings.loop ? this.position >= this.settings.to : this.audio.ended) {
        this.seek(this.settings.loop ? this.settings.from : 0);
        this.audio.play();
      }
    }, 30);
  }

  stop() {
    this.playing = false;
    clearInterval(this.timer);
    this.audio?.pause();
  }

  seek(position) {
    const { loop, from, to } = this.settings;
    const outside = loop && (position < from || position >= to - 0.01);
    if (this.audio) this.audio.currentTime = outside ? from : position;
  }

  select(index) {
    const at = this.position;
    this.audio?.pause();
    this.current = index;
    this.audio.currentTime = at;
    if (this.playing) this.audio.play();
  }

  set(changes) {
    Object.assign(this.settings, changes);
    this.apply();
  }

  apply() {
    for (const { audio, gain } of this.sounds) audio.volume = Math.min(1, gain * dB(this.settings.volume));
  }
}
