// The page itself: what the controls do. Nothing here knows a blind order.

const run = JSON.parse(document.getElementById("run").textContent);
const byId = (id) => document.getElementById(id);
const MEMORY = 600e6; // bytes of decoded sound at the most
const served = run.mode === "served";

let source = served ? new ServedSource(run) : new FileSource(run, null);
let player = served ? new ExactPlayer() : new PlainPlayer();
let takes = [];
let mode = "open";
let round = null;
let series = null;
let generation = 0;

function say(text, problem = false) {
  byId("status").textContent = text;
  byId("status").classList.toggle("problem", problem);
}

/** Run something that may fail and say so. */
async function attempt(action) {
  try {
    return await action();
  } catch (error) {
    say(`Not done: ${error.message}.`, true);
    return undefined;
  }
}

function clock(seconds) {
  const tenths = Math.floor(seconds * 10) / 10;
  return `${Math.floor(tenths / 60)}:${(tenths % 60).toFixed(1).padStart(4, "0")}`;
}

/** What is held in memory: the whole cue, or the passage where the cue is long. */
function span() {
  const most = MEMORY / (takes.length * 8 * run.sample_rate * (focus() < 0 ? 1 : 2));
  if (run.seconds <= most) return [0, run.seconds];
  const { from, to } = player.settings;
  return [from, Math.min(to, from + most)];
}

const focus = () => Number(byId("focus").value);

async function load() {
  const mine = ++generation;
  const [from, to] = span();
  const track = focus();
  if (!player.exact) {
    player.replace(takes);
    return;
  }
  say("Loading ...");
  const sounds = await Promise.all(
    takes.map(async (take) => ({
      buffer: await loadSound(take.mix(), from, to, take.gain),
      stem: track < 0 ? null : await loadSound(take.stem(track), from, to, take.gain),
    })),
  );
  if (mine !== generation) return;
  player.replace(sounds, from);
  byId("play").disabled = false;
  say(`Ready: ${takes.length} versions, ${(to - from).toFixed(1)} s each.`);
}

/** Show one radio button a take; the first is heard. */
function offer(list, heard = 0) {
  takes = list;
  byId("takes").replaceChildren(
    ...list.map((take, index) => {
      const label = document.createElement("label");
      const input = Object.assign(document.createElement("input"), { type: "radio", name: "take", value: String(index) });
      input.checked = index === heard;
      input.addEventListener("change", () => select(index));
      label.append(input, take.label);
      return label;
    }),
  );
  player.current = heard;
  return load();
}

function select(index) {
  byId("takes").querySelectorAll("input")[index].checked = true;
  player.select(index);
  say(`Hearing ${takes[index].label}.`);
}

async function toggle() {
  if (player.playing) player.stop();
  else await attempt(() => player.play());
  byId("play").textContent = player.playing ? "Stop" : "Play";
}

const details = () => ({
  passage: [player.settings.from, player.settings.to],
  mono: player.settings.mono,
  track: focus() < 0 ? null : run.tracks[focus()],
  note: byId("note").value.trim(),
});

async function enter(next) {
  mode = next;
  round = null;
  series = null;
  for (const name of ["open", "blind", "abx"]) byId(`${name}-panel`).hidden = name !== mode;
  byId("revealed").replaceChildren();
  if (mode === "open") await offer(source.mixes());
  if (mode === "blind") await newRound();
  if (mode === "abx") {
    byId("abx-result").textContent = "";
    setAbx(false);
  }
}

async function newRound() {
  byId("revealed").replaceChildren();
  round = await source.round();
  setBlind(true);
  await offer(round.takes);
}

function setBlind(going) {
  byId("best").disabled = byId("no-best").disabled = !going;
  byId("again").disabled = going;
}

async function choose(letter) {
  const found = await round.choose(letter, details());
  setBlind(false);
  const names = Object.fromEntries(run.mixes.map((mix) => [mix.rank, mix.label]));
  byId("revealed").replaceChildren(
    ...found.order.map((rank, index) => {
      const item = document.createElement("li");
      item.textContent = `${LETTERS[index]} was ${names[rank]}${LETTERS[index] === letter ? ", your choice" : ""}`;
      return item;
    }),
  );
  voted(found, "Kept. The order is shown below the buttons.");
}

function voted(found, text) {
  byId("note").value = "";
  say(source.saves ? `${text} Saved in the run folder.` : `${text} Download the votes before closing the page.`);
  if (found.learned) showLearned(found.learned);
}

function showLearned(learned) {
  byId("sure").textContent = learned.words;
  byId("learned").replaceChildren(
    ...learned.terms.map((term) => {
      const row = document.createElement("tr");
      const head = Object.assign(document.createElement("th"), { textContent: term.name, scope: "row" });
      row.append(head);
      for (const value of [term.default, term.weight, `± ${term.sd}`]) {
        row.append(Object.assign(document.createElement("td"), { textContent: value }));
      }
      return row;
    }),
  );
}

function setAbx(going) {
  for (const id of ["x-is-a", "x-is-b", "finish"]) byId(id).disabled = !going;
  for (const id of ["abx-a", "abx-b", "begin"]) byId(id).disabled = going;
}

async function begin() {
  const [a, b] = [Number(byId("abx-a").value), Number(byId("abx-b").value)];
  if (a === b) throw new Error("choose two different versions");
  series = { a, b, ...(await source.abx(a, b)) };
  byId("abx-result").textContent = "Trial 1: is X the same as A or as B?";
  setAbx(true);
  await trial();
}

async function trial() {
  const all = source.mixes();
  const pair = [series.a, series.b].map((rank, index) => ({
    ...all.find((take) => take.rank === rank),
    label: `${LETTERS[index]} (${all.find((take) => take.rank === rank).label})`,
  }));
  await offer([...pair, await series.trial()], 2);
}

async function answer(choice) {
  const { trials } = await series.answer(choice);
  byId("abx-result").textContent = `${trials} answered. Trial ${trials + 1}: is X A or B?`;
  await trial();
}

async function finish() {
  const { right, trials, p } = await series.finish();
  setAbx(false);
  const chance = p < 0.001 ? "less than 0.001" : p.toFixed(3);
  byId("abx-result").textContent =
    `${right} of ${trials} right. By guessing one gets that or better with probability ${chance} ` +
    `(exact binomial)${p < 0.05 ? ": you hear the difference." : ": not shown to be heard."}`;
  voted({}, "Kept.");
}

/** Show pictures and moves of one mix. */
function show(rank) {
  for (const part of document.querySelectorAll("[data-rank]")) part.hidden = part.dataset.rank !== rank;
}

function passage() {
  const from = Math.max(0, Math.min(run.seconds - 0.2, Number(byId("from").value) || 0));
  const to = Math.min(run.seconds, Math.max(from + 0.2, Number(byId("to").value) || 0));
  byId("from").value = from.toFixed(1);
  byId("to").value = to.toFixed(1);
  player.set({ from, to });
  const [low, high] = span();
  if (player.exact && (from < player.start || to > player.start + player.length + 0.01 || high - low < run.seconds)) {
    return load();
  }
  return undefined;
}

/** A click that does something which may fail. */
function on(id, action, event = "click") {
  byId(id).addEventListener(event, () => attempt(action));
}

function wire() {
  on("play", toggle);
  on("volume", () => {
    player.set({ volume: Number(byId("volume").value) });
    byId("volume-shown").textContent = `${byId("volume").value} dB`;
  }, "input");
  on("mono", () => player.set({ mono: byId("mono").checked }), "change");
  on("loop", () => player.set({ loop: byId("loop").checked }), "change");
  on("seek", () => player.seek(Number(byId("seek").value)), "input");
  for (const id of ["from", "to"]) on(id, passage, "change");
  on("excerpt", () => {
    [byId("from").value, byId("to").value] = run.excerpt;
    return passage();
  });
  on("focus", load, "change");
  on("rest", () => {
    player.set({ rest: Number(byId("rest").value) });
    byId("rest-shown").textContent = `${byId("rest").value} dB`;
  }, "input");
  for (const name of ["open", "blind", "abx"]) on(`mode-${name}`, () => enter(name), "change");
  on("prefer", async () => {
    const among = takes.map((take) => take.rank);
    const vote = { kind: "sighted", chosen: takes[player.current].rank, among, ...details() };
    voted(await source.vote(vote), `${takes[player.current].label} is preferred to the others.`);
  });
  on("best", () => choose(takes[player.current].label));
  on("no-best", () => choose(null));
  on("again", newRound);
  on("begin", begin);
  on("x-is-a", () => answer("A"));
  on("x-is-b", () => answer("B"));
  on("finish", finish);
  on("keep-note", async () => {
    const text = byId("note").value.trim();
    if (!text) throw new Error("the note is empty");
    const rank = mode === "open" ? takes[player.current].rank : null;
    voted(await source.vote({ kind: "note", text, position: player.position, rank }), "Note kept.");
  });
  on("download", () => source.download());
  on("folder", async () => {
    player.stop();
    const record = source.record;
    source = Object.assign(new FileSource(run, byId("folder").files), { record });
    source.mixes().forEach((take) => take.mix());
    player = Object.assign(new ExactPlayer(), { settings: player.settings });
    for (const id of ["mono", "rest"]) byId(id).disabled = false;
    byId("focus").disabled = !run.stems;
    byId("play").textContent = "Play";
    await enter(mode);
  }, "change");
  on("shown", () => show(byId("shown").value), "change");
}

const KEYS = { m: () => byId("mono").click(), l: () => byId("loop").click(), " ": toggle };

function keys(event) {
  const typing = event.target.matches("textarea, select, input[type=number], input[type=file]");
  const pressing = event.key === " " && event.target.matches("button, summary, a, input[type=checkbox]");
  if (typing || pressing || event.ctrlKey || event.metaKey || event.altKey) return;
  const index = Number(event.key) - 1;
  if (Number.isInteger(index) && index >= 0 && index < takes.length) select(index);
  else if (KEYS[event.key]) KEYS[event.key]();
  else return;
  event.preventDefault();
}

function tick() {
  const at = player.position;
  if (player.exact && player.playing && !player.settings.loop && at >= player.start + player.length - 0.02) {
    player.stop();
    player.offset = player.start;
    byId("play").textContent = "Play";
  }
  if (document.activeElement !== byId("seek")) byId("seek").value = at;
  byId("time").textContent = `${clock(at)} of ${clock(run.seconds)}`;
}

wire();
document.addEventListener("keydown", keys);
player.set({ from: Number(byId("from").value), to: Number(byId("to").value) });
show(byId("shown").value);
setInterval(tick, 100);
attempt(() => enter("open"));
if (!served) say("Opened as a file: see below what that means, and choose the run folder for exact switching.");

// For checks of this page by a program: the audio clock, the graph and what has been decoded.
globalThis.listening = { player: () => player, takes: () => takes.length, guessing };
