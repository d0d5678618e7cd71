// How the mixes sound: all of them run at once on one audio clock and only their gains change, so
// that a switch keeps the position to the sample.

const CROSSFADE = 0.002; // s, time constant of a switch; the gains of old and new sum to one
const dB = (value) => 10 ** (value / 20);

/** Sample-exact player on Web Audio. */
class ExactPlayer {
  constructor() {
    this.exact = true;
    this.sounds = [];
    this.current = 0;
    this.offset = 0;
    this.playing = false;
    this.settings = { volume: -20, mono: false, loop: true, from: 0, to: 1, rest: -12 };
  }

  /** Make the audio graph: sounds -> input -> (stereo | mono fold-down) -> volume -> output. */
  open(rate) {
    if (this.context) return;
    this.context = new AudioContext({ sampleRate: rate });
    const make = (gain) => new GainNode(this.context, { gain });
    this.input = make(1);
    this.stereo = make(1);
    this.fold = new GainNode(this.context, { channelCount: 1, channelCountMode: "explicit", gain: 0 });
    this.volume = make(dB(this.settings.volume));
    this.input.connect(this.stereo).connect(this.volume);
    this.input.connect(this.fold).connect(this.volume);
    this.volume.connect(this.context.destination);
    this.apply();
  }

  glide(param, value) {
    param.setTargetAtTime(value, this.context.currentTime, CROSSFADE);
  }

  /** Take new sounds, [{buffer, stem}], that begin at `start` s of the cue. */
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
    const [low, high] = loop ? [from, to] : [this.start, this.start + this.length];
    return position >= low && position < high - 0.01 ? position : Math.max(low, this.start);
  }

  async play() {
    this.open(this.sounds[0].buffer.sampleRate);
    this.playing = true;
    await this.context.resume();
    if (!this.playing || this.nodes) return;
    this.began = this.context.currentTime + 0.05;
    this.nodes = this.sounds.map((sound, index) => {
      const on = index === this.current ? 1 : 0;
      const gate = new GainNode(this.context, { gain: on });
      const whole = new GainNode(this.context, { gain: sound.stem ? dB(this.settings.rest) : 1 });
      whole.connect(gate).connect(this.input);
      const parts = [[sound.buffer, whole]];
      let layer = null;
      if (sound.stem) {
        layer = new GainNode(this.context, { gain: 1 - dB(this.settings.rest) });
        layer.connect(gate);
        parts.push([sound.stem, layer]);
      }
      return { gate, whole, layer, sources: parts.map(([buffer, to]) => this.source(buffer, to)) };
    });
  }

  source(buffer, target) {
    const node = new AudioBufferSourceNode(this.context, { buffer });
    node.loop = true;
    const whole = !this.settings.loop;
    node.loopStart = whole ? 0 : Math.max(0, this.settings.from - this.start);
    node.loopEnd = whole ? this.length : Math.min(this.length, this.settings.to - this.start);
    this.cycle = [node.loopStart, node.loopEnd];
    node.connect(target);
    node.start(this.began, this.offset - this.start);
    return node;
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
    let at = this.offset - this.start + Math.max(0, this.context.currentTime - this.began);
    const [low, high] = this.cycle;
    if (at >= high) at = low + ((at - low) % (high - low));
    return this.start + at;
  }

  select(index) {
    this.current = index;
    this.nodes?.forEach((node, i) => this.glide(node.gate.gain, i === index ? 1 : 0));
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
    const { volume, mono, rest } = this.settings;
    this.glide(this.volume.gain, dB(volume));
    this.glide(this.stereo.gain, mono ? 0 : 1);
    this.glide(this.fold.gain, mono ? 1 : 0);
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
    this.settings = { volume: -20, mono: false, loop: true, from: 0, to: 1, rest: -12 };
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
