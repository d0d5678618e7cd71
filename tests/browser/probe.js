// What a test adds to the page to hear it: a tap behind the volume, and decoded sound as text.
const probe = {
  encode(list) {
    const bytes = new Uint8Array(list.buffer, list.byteOffset, list.byteLength);
    let text = "";
    for (let i = 0; i < bytes.length; i += 8192) {
      text += String.fromCharCode(...bytes.subarray(i, i + 8192));
    }
    return btoa(text);
  },
  buffers() {
    return listening
      .player()
      .sounds.map(({ buffer, gain }) =>
        [0, 1].map((channel) => probe.encode(buffer.getChannelData(channel).map((x) => (gain ?? 1) * x))),
      );
  },
  async tap() {
    const player = listening.player();
    player.open(48000);
    const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
      process([input]) {
        const left = input[0] ?? new Float32Array(128);
        this.port.postMessage([left.slice(), (input[1] ?? left).slice()]);
        return true;
      }
    });`;
    await player.context.audioWorklet.addModule("data:text/javascript," + encodeURIComponent(code));
    const node = new AudioWorkletNode(player.context, "tap");
    globalThis.heard = [];
    node.port.onmessage = (event) => heard.push(event.data);
    const nowhere = new GainNode(player.context, { gain: 0 });
    player.volume.connect(node).connect(nowhere).connect(player.context.destination);
    return true;
  },
  tapped() {
    const sound = new Float32Array(heard.length * 256);
    heard.forEach(([left, right], block) => {
      sound.set(left, block * 128);
      sound.set(right, (heard.length + block) * 128);
    });
    return probe.encode(sound);
  },
};
