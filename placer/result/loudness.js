// How loud a sound is and how high it peaks, so that whatever is ticked can be heard at one loudness.
// ITU-R BS.1770-5: K-weighting and gates (Annex 1), peaks between samples (Annex 2). The filters at
// any sample rate follow as in placer/audio/k_weighting.py, the tests compare with libebur128.

const ABSOLUTE_GATE = 10 ** ((-70 + 0.691) / 10);
const RELATIVE_GATE = 0.1; // -10 LU
const NEIGHBOURS = 12; // on each side, that the interpolation between samples looks at
const CLOSE_TO_PEAK = 0.7; // of the highest sample: only there a peak between samples can be higher

/** The shelf and the high-pass as [b0, b1, b2, a1, a2]. */
function kWeighting(rate) {
  const shelf = { gain: 10 ** (3.999843853973347 / 20), k: Math.tan((Math.PI * 1681.974450955533) / rate) };
  const corner = shelf.gain ** 0.4996667741545416;
  const [k, q, kk] = [shelf.k, 0.7071752369554196, shelf.k ** 2];
  const a0 = 1 + k / q + kk;
  const passScale = (at) => {
    const low = Math.tan((Math.PI * 38.13547087602444) / at);
    return [low, 1 + low / 0.5003270373238773 + low * low];
  };
  const [low, p0] = passScale(rate);
  const b = passScale(48000)[1] / p0;
  return [
    [
      (shelf.gain + (corner * k) / q + kk) / a0, (2 * (kk - shelf.gain)) / a0,
      (shelf.gain - (corner * k) / q + kk) / a0, (2 * (kk - 1)) / a0, (1 - k / q + kk) / a0,
    ],
    [b, -2 * b, b, (2 * (low * low - 1)) / p0, (1 - low / 0.5003270373238773 + low * low) / p0],
  ];
}

/** Add the K-weighted energy of one channel to sums of 100 ms each. */
function addWeighted(samples, sums, step, [[a, b, c, d, e], [f, g, h, i, j]]) {
  let [s1, s2, t1, t2] = [0, 0, 0, 0];
  for (let block = 0, at = 0; block < sums.length; block++) {
    let sum = 0;
    for (const end = at + step; at < end; at++) {
      const x = samples[at];
      const y = a * x + s1;
      s1 = b * x - d * y + s2;
      s2 = c * x - e * y;
      const z = f * y + t1;
      t1 = g * y - i * z + t2;
      t2 = h * y - j * z;
      sum += z * z;
    }
    sums[block] += sum;
  }
}

const mean = (list) => list.reduce((sum, value) => sum + value, 0) / list.length;

/** Integrated loudness in LUFS; -Infinity where nothing passes the gates. */
function integratedLoudness(channels, rate) {
  const step = Math.round(0.1 * rate);
  const sums = new Float64Array(Math.floor(channels[0].length / step));
  const filters = kWeighting(rate);
  for (const samples of channels) addWeighted(samples, sums, step, filters);
  const blocks = [];
  for (let at = 0; at + 4 <= sums.length; at++) {
    blocks.push((sums[at] + sums[at + 1] + sums[at + 2] + sums[at + 3]) / (4 * step));
  }
  const loud = blocks.filter((power) => power > ABSOLUTE_GATE);
  const kept = loud.filter((power) => power > RELATIVE_GATE * mean(loud));
  return kept.length ? -0.691 + 10 * Math.log10(mean(kept)) : -Infinity;
}

/** Weights of the neighbours at a quarter, a half and three quarters of the way to the next sample. */
const BETWEEN = [0.25, 0.5, 0.75].map((part) =>
  Float64Array.from({ length: 2 * NEIGHBOURS }, (_, index) => {
    const away = index - NEIGHBOURS + 1 - part;
    const window = Math.cos((Math.PI * away) / (2 * NEIGHBOURS + 1)) ** 2;
    return (Math.sin(Math.PI * away) / (Math.PI * away)) * window;
  }),
);

/** Highest level of the sound, between its samples too, as an amplitude. */
function truePeak(channels) {
  let highest = 0;
  for (const samples of channels) for (const x of samples) if (Math.abs(x) > highest) highest = Math.abs(x);
  const near = CLOSE_TO_PEAK * highest;
  let peak = highest;
  for (const samples of channels) {
    for (let at = 0; at < samples.length; at++) {
      if (Math.abs(samples[at]) < near || highest === 0) continue;
      for (const from of [at - 1, at]) {
        for (const weights of BETWEEN) {
          let value = 0;
          for (let n = 0; n < weights.length; n++) value += weights[n] * (samples[from + n - NEIGHBOURS + 1] ?? 0);
          if (Math.abs(value) > peak) peak = Math.abs(value);
        }
      }
    }
  }
  return peak;
}
