// The page itself: what the controls do. Nothing here knows a blind order.

const run = JSON.parse(document.getElementById("run").textContent);
const byId = (id) => document.getElementById(id);
const MEMORY = 400e6; // bytes of decoded sound of whole mixes at the most
const served = run.mode === "served";
const [LEAST_VOLUME, VOLUME_STEP] = [-56, 2]; // dB

let source = served ? new ServedSource(run) : new FileSource(run, null);
let player = served ? new ExactPlayer() : new PlainPlayer();
let takes = [];
let mode = "moves";
let round = null;
let series = null;
let path = null; // PathSound of the mix shown
let ticked = [];
let generation = 0;
let sounding = ""; // what is heard, in words that hold when another mix is chosen
let work = Promise.resolve();

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

/** The same, after what was begun before it: loading and mixing take turns. */
function inTurn(action) {
  work = work.then(() => attempt(action));
  return work;
}

function clock(seconds) {
  const tenths = Math.floor(seconds * 10) / 10;
  return `${Math.floor(tenths / 60)}:${(tenths % 60).toFixed(1).padStart(4, "0")}`;
}

function element(name, properties, ...content) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...content);
  return made;
}

const keyShown = (key) => element("kbd", { textContent: key });
const shownRank = () => Number(byId("shown").value || 0);
const pathOf = (rank) => run.paths[rank];
const focus = () => Number(byId("focus").value);
const inMoves = () => mode === "moves";

// Whole mixes

/** What is held in memory: the whole cue, or the passage where the cue is long. */
function span() {
  if (inMoves()) return run.excerpt;
  const most = MEMORY / (takes.length * 8 * run.sample_rate * (focus() < 0 ? 1 : 2));
  if (run.seconds <= most) return [0, run.seconds];
  const { from, to } = player.settings;
  return [from, Math.min(to, from + most)];
}

/** What goes on sounding while something loads. */
const still = () => (player.playing ? `; still hearing ${sounding}` : "");

async function load() {
  const mine = ++generation;
  const [from, to] = span();
  const track = focus();
  if (!player.exact) {
    player.replace(takes);
    return;
  }
  say(`Loading${still()} ...`);
  const sounds = await Promise.all(
    takes.map(async (take) => ({
      buffer: await loadSound(take.mix(), from, to, take.gain),
      stem: track < 0 ? null : await loadSound(take.stem(track), from, to, take.gain),
    })),
  );
  if (mine !== generation) return;
  player.replace(sounds, from);
  ready(`Ready: ${takes.length} versions, ${(to - from).toFixed(1)} s each.`);
}

function ready(text) {
  byId("play").disabled = false;
  say(text);
}

/** A share in whole per cent, half up, as everywhere. */
const percent = (share) => `${Math.floor(100 * share + 0.5)} %`;

/** Show one radio button a take; the one at `heard` is heard. */
function offer(list, heard = 0) {
  takes = list;
  byId("takes").replaceChildren(
    ...list.map((take, index) => {
      const input = element("input", { type: "radio", name: "take", value: String(index), checked: index === heard });
      input.addEventListener("change", () => select(index));
      return element("label", {}, input, keyShown(take.key), ` ${take.label}`);
    }),
  );
  player.current = heard;
}

function select(index) {
  byId("takes").querySelectorAll("input")[index].checked = true;
  player.select(index);
  showHeard();
  say(`Hearing ${takes[index].label}.`);
}

/** Named versions with their keys: the number that each has in its name, and Y for one's own mix. */
const named = () => source.mixes().map((take) => ({ ...take, key: take.rank < 0 ? "Y" : String(take.rank) }));

/** Reference and back, on one key; not while a blind order is secret. */
let other = 1;
function flip() {
  if (mode === "blind" || mode === "abx") throw new Error("what is the reference stays secret in a blind comparison");
  if (player.current > 0) other = player.current;
  select(player.current === 0 ? Math.min(other, takes.length - 1) : 0);
}

// The moves of one mix

const MADE = 1; // place of the ticked moves among the sounds
const FEW = 6; // moves that are named one by one

async function loadPath() {
  const mine = ++generation;
  const rank = shownRank();
  const found = pathOf(rank);
  path = null;
  if (!player.exact || !found || !run.parts) {
    ticked = found ? found.items.map(() => true) : [];
    showPath();
    if (player.exact) throw new Error(run.no_parts);
    await offer([named()[0], named().find((take) => take.rank === rank) ?? named()[0]], 1);
    return load();
  }
  if (ticked.length !== found.items.length) ticked = found.items.map(() => true);
  showPath();
  say(`Loading${still()} ...`);
  const [from, to] = run.excerpt;
  const mixes = source.mixes();
  const base = await loadSound(mixes[0].mix(), from, to, mixes[0].gain);
  const fresh = new PathSound(rank, found.items, {
    base,
    part: (at, track) => source.part(at, track),
    gain: source.partGain(),
  });
  player.replace([{ buffer: base, stem: null }], from);
  sounding = byId("heard").textContent = "Reference";
  await fresh.load((number, count) => say(`Loading move ${number + 1} of ${count}${still()} ...`));
  if (mine !== generation) return;
  path = fresh;
  const own = mixes.find((take) => take.rank < 0);
  const list = [
    { label: "Reference", key: "R", rank: 0 },
    { label: "Ticked moves", key: "T", rank },
    ...(own ? [{ label: "Your mix", key: "Y", rank: -1 }] : []),
  ];
  offer(list, MADE);
  const sounds = [path.measured(base), path.made(ticked)];
  if (own) sounds.push(path.measured(await loadSound(own.mix(), from, to, own.gain)));
  player.current = MADE;
  player.replace(await withLayer(sounds), from);
  level();
  showHeard();
  ready(`Ready: ${found.items.length} moves, ${(to - from).toFixed(1)} s. Start quiet.`);
}

/** All sounds of the path at one loudness. */
function level() {
  for (const sound of player.sounds) sound.gain = path.gainOf(sound);
  player.select(player.current);
}

/** Add the chosen layer by itself: as in the reference, and as it is with the ticked moves. */
async function withLayer(sounds) {
  const track = focus();
  if (track < 0) return sounds.map((sound) => ({ ...sound, stem: null }));
  const [before, after] = await path.layer(track);
  const moved = path.items.some((item, index) => ticked[index] && item.tracks.includes(track));
  return sounds.map((sound, index) => ({ ...sound, stem: [before, moved ? after : before][index] ?? sound.buffer }));
}

/** Make exactly these moves, and hear them. */
function make(choice) {
  ticked = choice;
  showPath();
  return inTurn(async () => {
    if (!path || choice !== ticked) return; // a later choice waits already
    const [, sound] = await withLayer([player.sounds[0], path.made(ticked)]);
    for (const one of [sound, ...player.sounds]) one.gain = path.gainOf(one);
    byId("takes").querySelectorAll("input")[MADE].checked = true;
    player.swap(MADE, sound, true);
    showHeard();
    say(`Hearing ${choiceWords()}.`);
  });
}

const upTo = (count) => ticked.map((_, index) => index < count);
const tickedCount = () => ticked.filter(Boolean).length;
/** How many moves are made in order before the first that is not. */
const inOrder = () => (ticked.includes(false) ? ticked.indexOf(false) : ticked.length);
const isPrefix = () => inOrder() === tickedCount();

function choiceWords() {
  const items = pathOf(shownRank())?.items ?? [];
  const names = items.filter((_, index) => ticked[index]).map((item) => item.key);
  if (names.length === 0) return "the reference: no move";
  if (names.length === items.length) return `all ${items.length === 1 ? "of it: move 1" : `${items.length} moves`}`;
  const missing = items.filter((_, index) => !ticked[index]).map((item) => item.key);
  if (names.length > FEW && isPrefix()) return `moves ${names[0]} to ${names[names.length - 1]}`;
  if (names.length > FEW && missing.length < names.length) return `all moves but ${missing.join(", ")}`;
  return `${names.length === 1 ? "move" : "moves"} ${names.join(", ")}`;
}

/** The row of steps for the mix shown. */
function buildPath() {
  const items = pathOf(shownRank())?.items ?? [];
  byId("path").replaceChildren(
    step("0", "Reference", "Hear the reference: no move", () => make(upTo(0))),
    ...items.map((item, index) => {
      const about = `Hear the moves up to ${item.key}: ${item.label}`;
      const chip = step(item.key, item.label, about, () => make(upTo(index + 1)));
      chip.append(element("span", { className: "set" }, item.set));
      const tick = element("input", { type: "checkbox", checked: true });
      tick.setAttribute("aria-label", `Move ${item.key}, ${item.label}: heard`);
      tick.addEventListener("change", () => make(ticked.map((on, at) => (at === index ? tick.checked : on))));
      chip.append(element("label", { className: "tick" }, tick, element("span", { ariaHidden: "true" }, "heard")));
      return chip;
    }),
  );
  byId("path").classList.toggle("many", items.length > 12);
  byId("along").max = items.length;
}

function step(key, label, about, action) {
  const button = element("button", { type: "button", title: about }, keyShown(key), element("span", { className: "of" }, ` ${label}`));
  button.setAttribute("aria-label", about);
  button.addEventListener("click", () => attempt(action));
  return element("li", {}, button);
}

/** Show what is ticked: steps, slider, bars. */
function showPath() {
  const rank = shownRank();
  const found = pathOf(rank);
  if (!found) return;
  const usable = player.exact && run.parts;
  [...byId("path").children].forEach((item, index) => {
    const button = item.querySelector("button");
    button.disabled = byId("along").disabled = !usable || !inMoves();
    const last = inOrder();
    button.setAttribute("aria-pressed", String(isPrefix() && index === last));
    item.classList.toggle("made", index > 0 && Boolean(ticked[index - 1]));
    const tick = item.querySelector("input");
    if (tick) [tick.checked, tick.disabled] = [ticked[index - 1], button.disabled];
  });
  byId("along").value = inOrder();
  byId("along").setAttribute("aria-valuetext", choiceWords());
  byId("along-shown").textContent = choiceWords();
  showBars(rank, found);
}

function showBars(rank, found) {
  const count = inOrder();
  const heard = count ? found.items[count - 1].audible : null;
  for (const row of document.querySelectorAll(`#bars [data-rank="${rank}"] [data-track]`)) {
    const before = Number(row.dataset.before);
    const now = heard ? heard[row.dataset.track] : before;
    row.querySelector(".now").style.width = `${(100 * now) / Number(row.dataset.full)}%`;
    const [was, is] = [before, now].map(percent);
    row.querySelector(".figures").textContent = was === is ? `${is}, as before` : `${was} to ${is}`;
  }
  byId("bars-note").textContent = isPrefix() && (heard || !count)
    ? ""
    : `The bars show moves in order, here ${heard ? `the first ${count}` : "none"}; what is ticked beyond them is heard but not worked out.`;
}

// Keep and refuse

const answers = { mix: 0, kept: new Set(), refused: new Set(), ...(run.answers && {
  mix: run.answers.mix, kept: new Set(run.answers.kept), refused: new Set(run.answers.refused),
}) };

async function judge(button) {
  const names = JSON.parse(button.dataset.names);
  const rank = Number(button.closest("[data-rank]").dataset.rank);
  if (answers.mix !== rank) {
    answers.kept.clear();
    answers.refused.clear();
    answers.mix = rank;
  }
  const [mine, theirs] = button.dataset.verdict === "keep" ? [answers.kept, answers.refused] : [answers.refused, answers.kept];
  const on = button.getAttribute("aria-pressed") !== "true";
  for (const name of names) {
    theirs.delete(name);
    if (on) mine.add(name);
    else mine.delete(name);
  }
  showAnswers();
  await source.answer({ mix: rank, kept: [...answers.kept], refused: [...answers.refused] });
  say(source.saves ? "Written to answers.toml in the run folder." : "Save the answers before closing the page.");
}

function showAnswers() {
  for (const button of document.querySelectorAll("[data-verdict]")) {
    const mine = Number(button.closest("[data-rank]").dataset.rank) === answers.mix;
    const names = JSON.parse(button.dataset.names);
    const list = button.dataset.verdict === "keep" ? answers.kept : answers.refused;
    button.setAttribute("aria-pressed", String(mine && names.every((name) => list.has(name))));
  }
  const any = answers.kept.size + answers.refused.size > 0;
  byId("answered").hidden = !any;
  if (!any) return;
  const told = [["kept", answers.kept], ["refused", answers.refused]].filter(([, list]) => list.size);
  byId("answered-words").textContent = `Of mix ${answers.mix}: ${told.map(([word, list]) => `${word}: ${[...list].join(", ")}`).join("; ")}.`;
}

// Votes

const details = () => ({
  passage: [player.settings.from, player.settings.to],
  mono: player.settings.mono,
  speakers: player.settings.ways,
  track: focus() < 0 ? null : run.tracks[focus()],
  note: byId("note").value.trim(),
});

async function enter(next) {
  mode = next;
  round = null;
  series = null;
  byId(`mode-${mode}`).checked = true;
  for (const name of ["moves", "open", "blind", "abx"]) byId(`${name}-panel`).hidden = name !== mode;
  byId("hear").hidden = mode === "abx";
  byId("flip").disabled = mode === "blind" || mode === "abx";
  byId("revealed").replaceChildren();
  offerLayers();
  if (inMoves()) {
    setPassage(...run.excerpt);
    await loadPath();
  } else {
    path = null;
    showPath();
  }
  if (mode === "open") {
    offer(named());
    await load();
  }
  if (mode === "blind") await newRound();
  if (mode === "abx") {
    byId("abx-result").textContent = "";
    setAbx(false);
    say("Choose two versions and begin.");
  }
  showHeard();
}

/** Layers that can be heard by themselves: of a path those that it changes, of whole mixes those with stems. */
function offerLayers() {
  const items = inMoves() && run.parts ? (pathOf(shownRank())?.items ?? []) : [];
  const tracks = inMoves() ? items.flatMap((item) => item.tracks) : run.stems ? run.tracks.map((_, index) => index) : [];
  const before = focus();
  byId("focus").replaceChildren(
    element("option", { value: "-1", textContent: "all as mixed" }),
    ...tracks.map((track) => element("option", { value: String(track), textContent: run.tracks[track] })),
  );
  byId("focus").value = tracks.includes(before) ? String(before) : "-1";
  byId("focus").disabled = byId("rest").disabled = !player.exact || tracks.length === 0;
  byId("focus-note").textContent = tracks.length || !player.exact ? "" : inMoves() ? run.no_parts : run.no_stems;
}

async function layer() {
  if (!inMoves()) return load();
  if (!path) return undefined;
  const sounds = await withLayer(player.sounds);
  sounds.forEach((sound, index) => player.swap(index, sound));
  const name = focus() < 0 ? "all as mixed" : run.tracks[focus()];
  return say(`Ready: hearing ${name}.`);
}

async function newRound() {
  byId("revealed").replaceChildren();
  round = await source.round();
  setBlind(true);
  offer(round.takes.map((take, index) => ({ ...take, key: String(index + 1) })));
  await load();
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
    ...found.order.map((rank, index) =>
      element("li", {}, `${LETTERS[index]} was ${names[rank]}${LETTERS[index] === letter ? ", your choice" : ""}`),
    ),
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
    ...learned.terms.map((term) =>
      element(
        "tr",
        {},
        element("th", { textContent: term.name, scope: "row" }),
        ...[term.default, term.weight, `± ${term.sd}`].map((value) => element("td", { textContent: value })),
      ),
    ),
  );
}

function setAbx(going) {
  for (const id of ["x-is-a", "x-is-b", "finish"]) byId(id).disabled = !going;
  for (const id of ["abx-a", "abx-b", "begin"]) byId(id).disabled = going;
  byId("hear").hidden = mode === "abx" && !going;
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
    key: String(index + 1),
  }));
  offer([...pair, { ...(await series.trial()), key: "3" }], 2);
  await load();
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

// The player

async function toggle() {
  if (player.playing) player.stop();
  else if (!byId("play").disabled) await attempt(() => player.play());
  showPlaying();
}

function showPlaying() {
  byId("play").firstChild.textContent = player.playing ? "Stop " : "Play ";
}

function showHeard() {
  const take = takes[player.current];
  const words = inMoves() && player.current === MADE ? choiceWords() : (take?.label ?? "");
  byId("heard").textContent = words;
  const mix = named().find((one) => one.rank === shownRank())?.label;
  sounding = inMoves() && player.current === MADE && mix ? `${words} of ${mix}` : words;
}

/** Louder only step by step: a key that is held down does not repeat. */
function volume(steps) {
  const level = Math.max(LEAST_VOLUME, Math.min(0, player.settings.volume + steps * VOLUME_STEP));
  player.set({ volume: level });
  byId("volume-shown").textContent = `${level} dB`;
  byId("louder").disabled = level === 0;
  byId("softer").disabled = level === LEAST_VOLUME;
}

function setPassage(first, last) {
  const [low, high] = inMoves() ? run.excerpt : [0, run.seconds];
  const from = Math.max(low, Math.min(high - 0.2, first || 0));
  const to = Math.min(high, Math.max(from + 0.2, last || 0));
  byId("from").value = from.toFixed(1);
  byId("to").value = to.toFixed(1);
  player.set({ from, to });
  drawOutline();
}

function passage(first, last) {
  setPassage(first, last);
  if (inMoves() || !player.exact) return undefined;
  const { from, to } = player.settings;
  const [low, high] = span();
  if (from < player.start || to > player.start + player.length + 0.01 || high - low < run.seconds) return load();
  return undefined;
}

// The outline of the reference, whatever plays: a blind version shows nothing of its own

const COLUMNS = 1200;
let peaks = null;
let drag = null;

const view = () => (inMoves() ? run.excerpt : [0, run.seconds]);

async function findOutline() {
  if (!player.exact) return;
  peaks = await outline(source.mixes()[0].mix(), COLUMNS);
  drawOutline();
}

function drawOutline() {
  const canvas = byId("outline");
  const [width, height] = [canvas.clientWidth, canvas.clientHeight];
  const scale = globalThis.devicePixelRatio || 1;
  [canvas.width, canvas.height] = [Math.max(1, width * scale), Math.max(1, height * scale)];
  const paint = canvas.getContext("2d");
  paint.scale(scale, scale);
  const colour = (name) => getComputedStyle(canvas).getPropertyValue(name);
  const [low, high] = view();
  const across = (second) => ((second - low) / (high - low)) * width;
  const band = (first, last, top, tall) => paint.fillRect(across(first), top, across(last) - across(first), tall);
  paint.fillStyle = colour("--card");
  paint.fillRect(0, 0, width, height);
  if (!inMoves()) {
    paint.fillStyle = colour("--line");
    band(run.excerpt[0], run.excerpt[1], 0, height);
  }
  const most = peaks ? peaks.reduce((a, b) => Math.max(a, b), 1e-6) : 1;
  const { from, to, loop } = player.settings;
  for (let x = 0; peaks && x < width; x++) {
    const second = low + ((x + 0.5) / width) * (high - low);
    const level = peaks[Math.min(COLUMNS - 1, Math.floor((second / run.seconds) * COLUMNS))] / most;
    paint.fillStyle = colour(loop && second >= from && second <= to ? "--after" : "--faint");
    paint.fillRect(x, (height - level * (height - 6)) / 2, 1, Math.max(1, level * (height - 6)));
  }
  if (loop) {
    paint.fillStyle = colour("--after");
    band(from, to, height - 3, 3);
  }
  paint.fillStyle = colour("--ink");
  paint.fillRect(Math.round(across(player.position)) - 1, 0, 2, height);
}

function wireOutline() {
  const canvas = byId("outline");
  const second = (event) => {
    const box = canvas.getBoundingClientRect();
    const [low, high] = view();
    return low + Math.max(0, Math.min(1, (event.clientX - box.left) / box.width)) * (high - low);
  };
  canvas.addEventListener("pointerdown", (event) => {
    drag = { from: second(event), at: event.clientX };
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointerup", (event) => {
    if (!drag) return;
    const [first, last] = [drag.from, second(event)].sort((a, b) => a - b);
    const moved = Math.abs(event.clientX - drag.at) > 4;
    drag = null;
    attempt(() => {
      if (!moved) return player.seek(first);
      if (!byId("loop").checked) byId("loop").click();
      return passage(first, last);
    });
  });
}

// Wiring

/** A click that does something which may fail. */
function on(id, action, event = "click") {
  byId(id).addEventListener(event, () => attempt(action));
}

/** Show words and pictures of one mix. */
function show() {
  const rank = byId("shown").value;
  for (const part of document.querySelectorAll("[data-rank]")) part.hidden = part.dataset.rank !== rank;
  buildPath();
}

const wholePassage = () => (inMoves() ? run.excerpt : [0, run.seconds]);

function wire() {
  on("play", toggle);
  on("flip", flip);
  on("softer", () => volume(-1));
  on("louder", () => volume(1));
  on("mono", () => player.set({ mono: byId("mono").checked }), "change");
  on("ways", () => player.set({ ways: byId("ways").value === "speakers" }), "change");
  on("loop", () => {
    player.set({ loop: byId("loop").checked });
    drawOutline();
  }, "change");
  on("seek", () => player.seek(Number(byId("seek").value)), "input");
  for (const id of ["from", "to"]) on(id, () => passage(Number(byId("from").value), Number(byId("to").value)), "change");
  on("excerpt", () => passage(...run.excerpt));
  on("everything", () => passage(...wholePassage()));
  on("focus", () => inTurn(layer), "change");
  on("rest", () => player.set({ rest: Number(byId("rest").value) }), "change");
  for (const name of ["moves", "blind", "abx", "open"]) on(`mode-${name}`, () => inTurn(() => enter(name)), "change");
  on("along", () => make(upTo(Number(byId("along").value))), "input");
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
    const rank = mode === "open" || inMoves() ? takes[player.current].rank : null;
    voted(await source.vote({ kind: "note", text, position: player.position, rank }), "Note kept.");
  });
  on("download", () => source.download());
  on("save-answers", () => source.saveAnswers());
  on("folder", async () => {
    player.stop();
    const { record, answers: held } = source;
    source = Object.assign(new FileSource(run, byId("folder").files), { record, answers: held });
    source.mixes().forEach((take) => take.mix());
    player = Object.assign(new ExactPlayer(), { settings: player.settings });
    for (const id of ["mono", "ways"]) byId(id).disabled = false;
    showPlaying();
    ticked = [];
    await inTurn(() => enter(mode));
    await findOutline();
  }, "change");
  on("shown", () => {
    show();
    ticked = [];
    offerLayers();
    return inMoves() ? inTurn(loadPath) : undefined;
  }, "change");
  for (const button of document.querySelectorAll("[data-verdict]")) {
    button.addEventListener("click", () => attempt(() => judge(button)));
  }
  for (const button of document.querySelectorAll("[data-hear]")) {
    button.addEventListener("click", () => inTurn(async () => {
      if (!inMoves()) await enter("moves");
      make(upTo(Number(button.dataset.hear)));
    }));
  }
  document.addEventListener("keydown", keys);
  globalThis.addEventListener("resize", drawOutline);
  wireOutline();
}

const CHECKED = { m: "mono", l: "loop" };
const PRESSED = { " ": "play", r: "flip", "-": "softer" };

/** Keys that choose: steps of the path by their number, or versions by the key on their button. */
function chosenBy(key) {
  const index = takes.findIndex((take) => take.key === key.toUpperCase() && take.key !== "R");
  if (index >= 0) return () => select(index);
  const steps = [...byId("path").querySelectorAll("button")];
  const step = inMoves() ? steps.find((button) => button.querySelector("kbd").textContent === key) : null;
  return step ? () => step.click() : null;
}

function keys(event) {
  const typing = event.target.matches("textarea, select, input[type=number], input[type=file]");
  const pressing = event.key === " " && event.target.matches("button, summary, a, input[type=checkbox], input[type=radio]");
  if (typing || pressing || event.ctrlKey || event.metaKey || event.altKey) return;
  const key = event.key.toLowerCase();
  const choice = chosenBy(event.key);
  if (CHECKED[key]) byId(CHECKED[key]).click();
  else if (PRESSED[key]) byId(PRESSED[key]).click();
  else if (key === "+" || key === "=") {
    if (!event.repeat) byId("louder").click();
  } else if (key === "[") attempt(() => passage(player.position, player.settings.to));
  else if (key === "]") attempt(() => passage(player.settings.from, player.position));
  else if (choice) choice();
  else return;
  event.preventDefault();
}

function tick() {
  const at = player.position;
  if (player.exact && player.playing && !player.settings.loop && at >= player.start + player.length - 0.02) {
    player.stop();
    player.offset = player.start;
  }
  showPlaying();
  const [low, high] = view();
  const seek = byId("seek");
  [seek.min, seek.max] = [low, high];
  if (document.activeElement !== seek) seek.value = at;
  seek.setAttribute("aria-valuetext", `${Math.max(0, at - low).toFixed(1)} seconds`);
  byId("time").textContent = `${clock(Math.max(0, at - low))} of ${clock(high - low)}${inMoves() ? " (passage)" : ""}`;
  if (player.playing) drawOutline();
}

wire();
show();
showAnswers();
setInterval(tick, 100);
inTurn(() => enter(run.mixes.length > 1 && Object.keys(run.paths).length ? "moves" : "open")).then(() => {
  if (!served) say("Opened as a file: see above what that means, and choose the run folder for exact switching.");
});
attempt(findOutline);

// For checks of this page by a program: the audio clock, the graph and what has been decoded.
globalThis.listening = {
  player: () => player,
  path: () => path,
  takes: () => takes.length,
  ticked: () => [...ticked],
  bytes: () => (path?.bytes ?? 0) + player.sounds.reduce((sum, { buffer, stem }) => sum + 8 * ((buffer?.length ?? 0) + (stem?.length ?? 0)), 0),
  guessing,
  integratedLoudness,
  truePeak,
};
