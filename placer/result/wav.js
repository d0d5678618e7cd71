// How frames are read out of a WAV file without decoding all of it: a piece gives bytes by position,
// from the local server (range requests) or from a file that the listener has chosen.

/** Bytes of a file behind a URL of the local server. */
function overHttp(url) {
  return {
    async bytes(start, end) {
      const answer = await fetch(url, { headers: { Range: `bytes=${start}-${end - 1}` }, cache: "no-store" });
      if (answer.status !== 206) throw new Error(`the server answered ${answer.status}`);
      this.size = Number(answer.headers.get("Content-Range").split("/")[1]);
      return answer.arrayBuffer();
    },
  };
}

/** Bytes of a file that the listener has chosen. */
function overBlob(blob) {
  return { size: blob.size, bytes: (start, end) => blob.slice(start, end).arrayBuffer() };
}

/** Find format and sound in a RIFF/WAVE file (Multimedia Programming Interface 1.0, 1991). */
async function openWav(piece) {
  const head = new DataView(await piece.bytes(0, 65536));
  const name = (at) => String.fromCharCode(...new Uint8Array(head.buffer, at, 4));
  if (name(0) !== "RIFF" || name(8) !== "WAVE") throw new Error("not a WAV file");
  const wav = { piece };
  for (let at = 12; at + 8 <= head.byteLength; ) {
    const length = head.getUint32(at + 4, true);
    if (name(at) === "fmt ") {
      const code = head.getUint16(at + 8, true);
      wav.float = (code === 0xfffe ? head.getUint16(at + 32, true) : code) === 3;
      wav.channels = head.getUint16(at + 10, true);
      wav.rate = head.getUint32(at + 12, true);
      wav.bits = head.getUint16(at + 22, true);
    } else if (name(at) === "data") {
      wav.start = at + 8;
      wav.frame = (wav.channels * wav.bits) / 8;
      wav.frames = Math.floor(Math.min(length, piece.size - wav.start) / wav.frame);
      return wav;
    }
    at += 8 + length + (length % 2);
  }
  throw new Error("the WAV file holds no sound");
}

/** One sample as a number between -1 and 1. */
function sampleReader(view, wav) {
  if (wav.float && wav.bits === 32) return (at) => view.getFloat32(at, true);
  if (wav.float && wav.bits === 64) return (at) => view.getFloat64(at, true);
  if (wav.bits === 16) return (at) => view.getInt16(at, true) / 32768;
  if (wav.bits === 24) return (at) => (view.getUint16(at, true) | (view.getInt8(at + 2) << 16)) / 8388608;
  if (wav.bits === 32) return (at) => view.getInt32(at, true) / 2147483648;
  throw new Error(`${wav.bits}-bit samples cannot be read`);
}

/** Add a stereo file of as many frames as `targets`, times a gain, to them, piece by piece. */
async function addSound(piece, targets, gain) {
  const wav = await openWav(piece);
  if (wav.frames !== targets[0].length || wav.channels !== 2) {
    throw new Error("the passage of a track is not as long as the reference's; write it anew: placer render RUN");
  }
  const block = 10 * wav.rate;
  for (let first = 0; first < wav.frames; first += block) {
    const count = Math.min(block, wav.frames - first);
    const start = wav.start + first * wav.frame;
    const bytes = await piece.bytes(start, start + count * wav.frame);
    if (wav.float && wav.bits === 32) {
      const samples = new Float32Array(bytes); // little-endian, as all machines with a browser are
      for (let i = 0; i < count; i++) {
        targets[0][first + i] += gain * samples[2 * i];
        targets[1][first + i] += gain * samples[2 * i + 1];
      }
      continue;
    }
    const sample = sampleReader(new DataView(bytes), wav);
    for (let i = 0; i < count; i++) {
      targets[0][first + i] += gain * sample(i * wav.frame);
      targets[1][first + i] += gain * sample(i * wav.frame + wav.bits / 8);
    }
  }
}

/** The highest sample in each of `columns` equal stretches of a file, read piece by piece. */
async function outline(piece, columns) {
  const wav = await openWav(piece);
  const peaks = new Float32Array(columns);
  const block = 10 * wav.rate;
  for (let first = 0; first < wav.frames; first += block) {
    const count = Math.min(block, wav.frames - first);
    const start = wav.start + first * wav.frame;
    const view = new DataView(await piece.bytes(start, start + count * wav.frame));
    const sample = sampleReader(view, wav);
    for (let i = 0; i < count; i++) {
      const column = Math.floor(((first + i) * columns) / wav.frames);
      for (let channel = 0; channel < wav.channels; channel++) {
        const level = Math.abs(sample(i * wav.frame + (channel * wav.bits) / 8));
        if (level > peaks[column]) peaks[column] = level;
      }
    }
  }
  return peaks;
}

/** Seconds `from` to `to` of a file as an AudioBuffer of two channels, times a gain. */
async function loadSound(piece, from, to, gain) {
  const wav = await openWav(piece);
  const first = Math.min(wav.frames, Math.round(from * wav.rate));
  const count = Math.max(1, Math.min(wav.frames, Math.round(to * wav.rate)) - first);
  const start = wav.start + first * wav.frame;
  const view = new DataView(await piece.bytes(start, start + count * wav.frame));
  const sample = sampleReader(view, wav);
  const buffer = new AudioBuffer({ length: count, numberOfChannels: 2, sampleRate: wav.rate });
  const frames = Math.min(count, Math.floor(view.byteLength / wav.frame));
  for (let channel = 0; channel < 2; channel++) {
    const target = buffer.getChannelData(channel);
    const offset = (Math.min(channel, wav.channels - 1) * wav.bits) / 8;
    for (let i = 0; i < frames; i++) target[i] = gain * sample(i * wav.frame + offset);
  }
  return buffer;
}
