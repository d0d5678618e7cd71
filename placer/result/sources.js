// Where sound comes from and where votes go: the local server, or files beside the opened page.
// A take is {label, mix, stem(track), url, gain}; only the server or a closure knows whose it is.

/** Exact probability of at least `right` of `trials` by guessing: the upper binomial tail at 1/2. */
function guessing(right, trials) {
  let log = -trials * Math.LN2;
  let tail = 0;
  for (let hits = 0; hits <= trials; hits++) {
    if (hits >= right) tail += Math.exp(log);
    log += Math.log((trials - hits) / (hits + 1));
  }
  return Math.min(1, tail);
}

/** Below `count`, each with the same chance, from the browser's source of true randomness. */
function random(count) {
  const limit = Math.floor(2 ** 32 / count) * count;
  const draw = new Uint32Array(1);
  do crypto.getRandomValues(draw);
  while (draw[0] >= limit);
  return draw[0] % count;
}

function shuffled(list) {
  const order = [...list];
  for (let i = order.length - 1; i > 0; i--) {
    const j = random(i + 1);
    [order[i], order[j]] = [order[j], order[i]];
  }
  return order;
}

/** Give the listener a file to save. */
function handOver(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "application/octet-stream" }));
  link.download = name;
  link.click();
  URL.revokeObjectURL(link.href);
}

const LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/** Sound and votes through `placer listen`: the server alone knows a blind order. */
class ServedSource {
  constructor(run) {
    this.run = run;
    this.saves = true;
  }

  async post(path, body) {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    });
    const found = await answer.json();
    if (!answer.ok) throw new Error(found.error);
    return found;
  }

  take(label, token) {
    return {
      label,
      mix: () => overHttp(`/audio/${token}`),
      stem: (track) => overHttp(`/audio/${token}/${track}`),
      gain: 1,
    };
  }

  mixes() {
    return this.run.mixes.map((mix) => ({ ...this.take(mix.label, mix.token), rank: mix.rank }));
  }

  /** The analysed passage of a placed track of a mix, and its gain here. */
  part(rank, track) {
    return overHttp(`/parts/${rank}/${track}`);
  }

  partGain() {
    return 1;
  }

  answer(answers) {
    return this.post("/answers", answers);
  }

  async round() {
    const { round, tokens } = await this.post("/rounds", {});
    return {
      takes: tokens.map((token, index) => this.take(LETTERS[index], token)),
      choose: (letter, details) => this.post("/votes", { kind: "blind", round, chosen: letter, ...details }),
    };
  }

  async abx(a, b) {
    const { series } = await this.post("/abx/start", { a, b });
    return {
      trial: async () => this.take("X", (await this.post("/abx/trial", { series })).token),
      answer: (choice) => this.post("/abx/answer", { series, choice }),
      finish: () => this.post("/abx/finish", { series }),
    };
  }

  vote(vote) {
    return this.post("/votes", vote);
  }
}

/** Sound from files beside the page; votes are kept until they are downloaded. */
class FileSource {
  constructor(run, files) {
    this.run = run;
    this.saves = false;
    this.record = { schema: "placer.votes/1", cue: run.cue, votes: [], trials: [], notes: [] };
    if (files) {
      this.files = new Map();
      for (const file of files) {
        this.files.set((file.webkitRelativePath || file.name).split("/").slice(-3).join("/"), file);
      }
    }
  }

  find(path) {
    for (const [name, file] of this.files) if (name === path || name.endsWith(`/${path}`)) return file;
    throw new Error(`the chosen folder holds no ${path}`);
  }

  take(label, rank) {
    const mix = this.run.mixes.find((one) => one.rank === rank);
    // the composer's own mix (rank -1) has no stems: it is heard whole
    const stem = (track) => rank < 0 ? mix.file : `placed/${String(rank).padStart(2, "0")}/${this.run.tracks[track]}.wav`;
    return {
      label,
      mix: () => overBlob(this.find(mix.file)),
      stem: (track) => overBlob(this.find(stem(track))),
      url: mix.file,
      gain: dB(mix.gain_db),
    };
  }

  mixes() {
    return this.run.mixes.map((mix) => ({ ...this.take(mix.label, mix.rank), rank: mix.rank }));
  }

  part(rank, track) {
    return overBlob(this.find(`parts/${String(rank).padStart(2, "0")}/${this.run.tracks[track]}.wav`));
  }

  partGain() {
    return dB(this.run.mixes.find((mix) => mix.rank === 0).gain_db);
  }

  /** Kept and refused moves are held until they are saved as a file. */
  async answer(answers) {
    this.answers = answers;
    return {};
  }

  /** Hand answers.toml over, as the server would write it. */
  saveAnswers() {
    const { mix, kept, refused } = this.answers;
    const list = (names) => `[${names.map((name) => JSON.stringify(name)).join(", ")}]`;
    handOver("answers.toml", `mix = ${mix}\nkept = ${list(kept)}\nrefused = ${list(refused)}\n`);
  }

  async round() {
    const order = shuffled(this.run.mixes.map((mix) => mix.rank));
    return {
      takes: order.map((rank, index) => this.take(LETTERS[index], rank)),
      choose: async (letter, details) => {
        const chosen = letter === null ? null : order[LETTERS.indexOf(letter)];
        await this.vote({ kind: "sighted", ...details, chosen, among: [...order].sort() }, true);
        return { order };
      },
    };
  }

  async abx(a, b) {
    const found = [];
    let x = a;
    return {
      trial: async () => {
        x = random(2) ? a : b;
        return this.take("X", x);
      },
      answer: async (choice) => ({ trials: found.push((choice === "A" ? a : b) === x) }),
      finish: async () => {
        const right = found.filter(Boolean).length;
        const ending = { a, b, right, trials: found.length, p: guessing(right, found.length) };
        this.record.trials.push({ ...ending, time: new Date().toISOString() });
        return ending;
      },
    };
  }

  async vote({ kind, ...vote }, blind = false) {
    const time = new Date().toISOString();
    if (kind === "note") this.record.notes.push({ ...vote, time });
    else this.record.votes.push({ ...vote, blind, time });
    return {};
  }

  /** Hand the record over as a file. */
  download() {
    handOver("votes.json", JSON.stringify(this.record, null, 1));
  }
}
