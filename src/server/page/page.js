// The visit: what to do, what the meter shows, what came of it. The state is read whole at the start and after a lost
// connection; news change it in between. Texts are put in as texts, never as HTML.

import { Awake } from "/awake.js";
import { by, look, pair, post, read, visitOf } from "/common.js";
import { Minute, numberLine } from "/draw.js";
import { Keys } from "/keys.js";
import { Voice } from "/voice.js";

const voice = new Voice();
const awake = new Awake((words, held) => {
  by("awake").textContent = words;
  by("screen").setAttribute("aria-pressed", String(held));
});
/** The last minute of each channel; that of the step's own is drawn large. */
const minutes = new Map();
const ownMinute = by("minute");
const keys = new Keys();

const state = { step: null, channels: new Map(), ledger: [], captures: [], ask: null, looksOn: false, isHidden: false, frames: new Map(), readAt: performance.now() };

/** Asks the daemon; what it refuses is said and shown. */
async function ask(request) {
  const answer = await post("/do", request).catch(() => ({ ok: false, error: "the daemon does not answer" }));
  if (!answer.ok) refuse(answer);
  return answer;
}

function refuse({ error, spoken }) {
  by("verdict").textContent = error;
  by("verdict").className = "none";
  voice.say(spoken ?? { kind: "refused", words: error });
}

/** Puts a text in where it is another one, so that a screen reader says it once. */
function put(id, text) {
  if (by(id).textContent !== text) by(id).textContent = text;
}

function showStep(step) {
  state.step = step;
  showWanted();
  by("hint").textContent = "";
  showSentence();
  showReading();
}

/** What is wanted, as long as nothing is captured. */
function showWanted() {
  put("verdict", state.step?.limit ? `${state.step.limit} wanted` : "");
  by("verdict").className = "none";
}

function showVerdict({ verdict, reason }) {
  const [shape, kind] = look(verdict);
  const words = `${shape} ${verdict ?? "no limit"}: ${reason}`;
  put("verdict", words);
  by("verdict").className = kind;
  return words;
}

function showSentence() {
  const { step } = state;
  by("take").textContent = step?.asks ? "yes" : "take";
  by("again").textContent = step?.asks ? "no" : "again";
  by("zero").textContent = step?.quantity === "ohm" ? "null the leads" : "zero the clamp";
  const asksTheRoom = state.isHidden && step !== null;
  document.body.classList.toggle("asking", asksTheRoom);
  const sentence = asksTheRoom ? "What would you measure next?" : state.ask?.text ?? (step ? step.instruction || step.name : idleWords());
  put("sentence", sentence);
  by("waits").textContent = state.ask ? `waits for ${state.ask.waits_for}, or a button below` : "";
  by("sentence").classList.toggle("ask", state.ask !== null);
  by("step").textContent = step ? (step.place ? `${step.name}, step ${step.place} of ${step.of}` : step.name) : "";
}

function idleWords() {
  const how = (words) => (state.looksOn ? "" : ` Tap more, then ${words}.`);
  if (!state.meters) return `No meter is set up yet.${how("set up")}`;
  return state.session ? "No step is on" : `No session is open.${how("set up, begin")}`;
}

function shownChannel() {
  return state.step?.channel ?? (state.channels.size ? [...state.channels.keys()][0] : null);
}

function showReading() {
  const reading = state.channels.get(shownChannel());
  const [figure, ...unit] = (reading?.shown ?? "–").split(" ");
  by("figure").textContent = figure;
  by("reading").style.setProperty("--length", String(figure.length + unit.join(" ").length / 2));
  by("unit").textContent = unit.join(" ");
  if (reading && !performance.getEntriesByName("figure").length) performance.mark("figure");
  by("reading").classList.toggle("stale", !reading || reading.age_s > 2);
  const { limit_low: low, limit_high: high } = state.step ?? {};
  const value = typeof reading?.value === "number" ? reading.value : NaN;
  numberLine(by("line"), value, 2 * (reading?.u ?? 0), low, high, reading?.unit ?? "");
  const own = minutes.get(reading?.channel);
  if (own) own.canvas = ownMinute;
  own?.draw(low, high);
}

/** Keeps what came of each channel for its minute. */
function keep({ channel, value, least = value, greatest = value }) {
  if (!minutes.has(channel)) minutes.set(channel, new Minute(ownMinute));
  minutes.get(channel).push(least, greatest);
}

let drawing = false;

/** Draws once a frame, however much came. */
function drawSoon() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    showReading();
    showChannels();
  });
}

function row(shape, kind, name, right, why) {
  const item = document.createElement("li");
  for (const [text, className] of [[shape, kind], [name, ""], [right, kind], [why, "why"]]) {
    if (!text) continue;
    const span = document.createElement("span");
    span.textContent = text;
    span.className = className;
    item.append(span);
  }
  return item;
}

function showChannels() {
  const own = shownChannel();
  const others = [...state.channels.values()].filter((reading) => reading.channel !== own);
  const list = by("channels");
  if (others.map(({ channel }) => channel).join() !== [...list.children].map(({ dataset }) => dataset.channel).join()) {
    list.replaceChildren(...others.map(channelRow));
  }
  others.forEach((reading, index) => {
    const item = list.children[index];
    const shown = item.querySelector(".value");
    if (shown.textContent !== reading.shown) shown.textContent = reading.shown;
    item.classList.toggle("stale", reading.age_s > 2);
    const strip = minutes.get(reading.channel);
    if (!strip) return;
    strip.canvas = item.querySelector("canvas");
    strip.draw(null, null);
  });
}

function channelRow({ channel }) {
  const item = row(" ", "", channel, " ");
  item.dataset.channel = channel;
  item.children[2].className = "value";
  const strip = document.createElement("canvas");
  strip.setAttribute("aria-hidden", "true");
  item.append(strip);
  return item;
}

/** What each meter is doing: how many readings a second, or why there are none. */
function showMeters(meters) {
  const now = performance.now();
  by("meters").replaceChildren(...meters.map((meter) => {
    const before = state.frames.get(meter.meter);
    const rate = before && now > before.at ? ((meter.frames - before.frames) * 1000) / (now - before.at) : null;
    state.frames.set(meter.meter, { frames: meter.frames, at: now });
    const refused = meter.refused > 0 ? `${meter.refused} not understood` : "";
    if (!meter.open) return row(" ", "", meter.meter, "absent", meter.why);
    return row(" ", "", meter.meter, rate === null ? "open" : perSecond(rate), refused);
  }));
}

function perSecond(rate) {
  if (rate === 0) return "open, sends nothing";
  return `${rate < 9.5 ? rate.toFixed(1) : Math.round(rate)} readings a second`;
}

function showLedger() {
  const rows = state.ledger.map((step) => {
    const [shape, kind] = look(step.verdict);
    const taken = step.capture ?? state.captures.filter((capture) => capture.step === step.number).at(-1);
    return row(shape, kind, step.name, [taken?.shown, step.verdict ?? step.left ?? ""].filter(Boolean).join(", "), step.verdict === "in limit" ? "" : step.reason);
  });
  by("ledger").replaceChildren(...rows.reverse());
}

function showAlarms(alarms) {
  by("alarms").replaceChildren(...alarms.map((alarm) => row("", "", alarm)));
}

/** Reads the state whole. */
async function load() {
  const answer = await read("/status");
  if (answer.lost) return loadAgain();
  if (!answer.ok) return lock(answer.error);
  unlock();
  state.looksOn = answer.permission === "look on";
  document.body.classList.toggle("looks-on", state.looksOn);
  const { status } = answer;
  const { session } = status;
  const open = status.meters.filter((meter) => meter.open).length;
  by("visit").textContent = session ? [session.machine, session.job, session.procedure].filter(Boolean).join(" · ") || "a session is open" : "no session is open";
  by("link").textContent = `${open} of ${status.meters.length} ${status.meters.length === 1 ? "meter" : "meters"}`;
  [state.session, state.meters] = [session, status.meters.length];
  const cautioned = session?.caution && sessionStorage.getItem("cautioned") !== session.uuid;
  if (cautioned) {
    by("hint").textContent = session.caution;
    sessionStorage.setItem("cautioned", session.uuid);
  }
  state.channels = new Map(status.readings.map((reading) => [reading.channel, reading]));
  state.ask = status.ask ?? null;
  state.step = status.step ?? null;
  showSentence();
  showReading();
  showChannels();
  showAlarms(status.alarms);
  showMeters(status.meters);
  const finding = status.findings[0];
  by("finding").textContent = finding ? `${finding.sentence} (${finding.sure}) ${finding.next}` : "";
  if (session) await loadLedger();
  // A page that comes later finds what it would have been told.
  const taken = state.captures.filter(({ step }) => step === state.step?.number).at(-1);
  if (by("verdict").textContent) return;
  if (taken?.reason) showVerdict(taken);
  else showWanted();
}

let ledgerTimers = [];

/** News come before what they tell is committed, which takes a quarter of a second; a slow disk has a second chance. */
function loadLedgerSoon() {
  ledgerTimers.forEach(clearTimeout);
  ledgerTimers = [400, 2500].map((wait) => setTimeout(loadLedger, wait));
}

async function loadLedger() {
  const ledger = await read("/ledger");
  state.captures = ledger.captures ?? [];
  state.ledger = (ledger.steps ?? []).filter((step) => step.left || step.verdict);
  showLedger();
}

/** The daemon lets this page in no further; a connection that is lost for a while is no reason for that. */
function lock(why) {
  by("sentence").textContent = why;
  by("link").textContent = "";
  for (const button of document.querySelectorAll("button")) button.disabled = true;
  state.isLocked = true;
}

function unlock() {
  if (!state.isLocked) return;
  for (const button of document.querySelectorAll("button")) button.disabled = false;
  state.isLocked = false;
}

const LOAD_AGAIN_MS = 2000;
let loadTimer = null;

function loadAgain() {
  by("link").textContent = "connection lost, trying again";
  clearTimeout(loadTimer);
  loadTimer = setTimeout(load, LOAD_AGAIN_MS);
}

const NEWS = {
  // One speaker for all: the last that was tapped.
  speaker({ name }) {
    if (name === PAGE || voice.how !== "words") return;
    sound("off");
    by("hint").textContent = name === "say" ? "The computer speaks now, this page is silent." : "Another page speaks now, this one is silent.";
  },
  readings({ readings }) {
    const now = performance.now();
    for (const reading of state.channels.values()) reading.age_s += (now - state.readAt) / 1000;
    state.readAt = now;
    for (const reading of readings) {
      state.channels.set(reading.channel, reading);
      keep(reading);
    }
    drawSoon();
  },
  step({ step }) {
    state.ask = null;
    // The class is asked first; a tap shows what the procedure has.
    state.isHidden = document.body.classList.contains("room");
    showStep(step);
    // A step that is left by itself leaves no time to read what came of it.
    by("hint").textContent = state.captured ?? "";
    state.captured = null;
    loadLedgerSoon();
  },
  captured({ step, capture }) {
    state.captured = `${step || capture.channel}: ${showVerdict(capture)}`;
    voice.tone(look(capture.verdict)[1]);
    loadLedgerSoon();
  },
  judged: loadLedgerSoon,
  tick({ channel }) {
    by("hint").textContent = `drop-out: ${channel}`;
    voice.tick();
  },
  say({ text }) {
    by("hint").textContent = text;
  },
  ask({ ask: question }) {
    state.ask = question;
    showSentence();
    voice.tone("none");
  },
  "ask-over"() {
    state.ask = null;
    voice.end(["ask"]);
    showSentence();
  },
  count() {
    voice.tone("none");
  },
  finding({ finding }) {
    by("finding").textContent = `${finding.sentence} (${finding.sure}) ${finding.next}`;
  },
  event({ kind, subject, text, spoken }) {
    // That a meter is gone is an alarm as long as it is so; that it is back is told once.
    if (kind === "meter found" && spoken) by("hint").textContent = `${subject}: ${text}`;
    load();
  },
  "session-began": load,
  "session-ended": load,
  missed: load,
};

function follow() {
  const stream = new EventSource("/news");
  let lost = false;
  stream.onopen = () => {
    if (lost) load();
    lost = false;
  };
  stream.onmessage = ({ data }) => {
    const news = JSON.parse(data);
    NEWS[news.news]?.(news);
    voice.say(news.spoken);
  };
  stream.onerror = () => {
    lost = true;
    by("link").textContent = "connection lost, trying again";
    // The browser tries no more where the daemon refuses, as a revoked link: the state says why.
    if (stream.readyState === EventSource.CLOSED) load();
  };
}

const ACTS = {
  next: () => ask({ do: "step", to: "next" }),
  // In a step that asks, these two answer.
  again: () => ask(state.step?.asks ? { do: "take", answer: "no" } : { do: "step", to: "again" }),
  back: () => ask({ do: "step", to: "back" }),
  skip: () => ask({ do: "step", to: "skip" }),
  take: () => ask(state.step?.asks ? { do: "take", answer: "yes" } : { do: "take" }),
  mark: () => ask({ do: "mark", text: by("text").value }).then((answer) => answer.ok && done(`marked: ${by("text").value || "this moment"}`)),
  zero: () => ask({ do: "zero", channel: zeroable() ?? "" }).then(({ ok, zeroed }) => ok && done(`zeroed: ${zeroed.offset.toPrecision(3)} ${zeroed.unit} is taken off from now on`)),
  undo: () => ask({ do: "undo" }).then((answer) => answer.ok && done(answer.undone)),
  end() {
    if (!confirm("End the session?")) return;
    ask({ do: "end" }).then((answer) => answer.ok && done("The session is ended."));
  },
};

/** The step's channel where it has a zero, else the one channel that measures current. */
function zeroable() {
  const own = state.channels.get(state.step?.channel);
  if (own && ["A", "ohm"].includes(own.unit)) return own.channel;
  const clamps = [...state.channels.values()].filter(({ unit }) => unit === "A");
  return clamps.length === 1 ? clamps[0].channel : null;
}

for (const [id, act] of Object.entries(ACTS)) by(id).addEventListener("click", act);
by("note").addEventListener("submit", async (event) => {
  event.preventDefault();
  const answer = await ask({ do: "note", text: by("text").value });
  if (answer.ok) done("kept: " + by("text").value);
});
by("photo").addEventListener("change", async ({ target }) => {
  const [file] = target.files;
  if (!file) return;
  by("hint").textContent = "sending the photo";
  by("more").open = false;
  const query = new URLSearchParams({ text: by("text").value });
  const answer = await fetch(`/photo?${query}`, { method: "POST", headers: { "content-type": file.type }, body: file })
    .then((reply) => reply.json())
    .catch(() => ({ ok: false, error: "the photo could not be sent; try again" }));
  target.value = "";
  by("hint").textContent = answer.ok ? "photo kept" : answer.error;
  if (answer.ok) by("text").value = "";
  else voice.say(answer.spoken);
});
by("correction").addEventListener("submit", async (event) => {
  event.preventDefault();
  let told;
  try {
    told = visitOf(event.target);
  } catch (error) {
    return refuse({ error: error.message });
  }
  const answer = await ask({ do: "correct", ...told });
  if (!answer.ok) return;
  event.target.reset();
  done([...answer.corrections.map(({ field, value_after }) => `${field} is ${value_after}`), ...(answer.warnings ?? [])].join("; "));
});
by("correct").addEventListener("toggle", () => {
  for (const name of ["machine", "job"]) by(`c-${name}`).value ||= state.session?.[name] ?? "";
});

/** Says what was done, and puts the menu away. */
function done(words) {
  by("text").value = "";
  by("more").open = false;
  by("hint").textContent = words;
}

const PAGE = `page-${crypto.getRandomValues(new Uint32Array(1))[0]}`;
/** A page that speaks says so again at least every ten seconds. */
const STILL_SPEAKS_MS = 8000;

/** Claims the one voice for this page, or gives it back. */
function claim(name) {
  post("/do", { do: "speaker", name }).catch(() => {});
}

setInterval(() => voice.how === "words" && claim(PAGE), STILL_SPEAKS_MS);

function sound(how) {
  voice.set(how);
  by("voice").setAttribute("aria-pressed", String(how === "words"));
  by("voice").textContent = how === "words" ? "voice is on" : "voice is off";
  by("tones").setAttribute("aria-pressed", String(how === "tones"));
}

for (const [id, how] of [["voice", "words"], ["tones", "tones"]]) {
  by(id).addEventListener("click", () => {
    const before = voice.how;
    sound(before === how ? "off" : how);
    if (voice.how === "words") claim(PAGE);
    else if (before === "words") claim("");
    if (voice.how !== "off") awake.hold();
  });
}
by("screen").addEventListener("click", () => (awake.wanted ? awake.release() : awake.hold()));
function reveal() {
  state.isHidden = false;
  showSentence();
}

function roomView(on) {
  document.body.classList.toggle("room", on);
  by("room").setAttribute("aria-pressed", String(on));
  by("more").open = false;
  reveal();
}

by("room").addEventListener("click", () => roomView(!document.body.classList.contains("room")));
by("leave").addEventListener("click", () => roomView(false));
by("reveal").addEventListener("click", reveal);
// A presenter or a foot switch is a keyboard.
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape" && by("more").open) {
    by("more").open = false;
    return by("more").querySelector("summary").focus();
  }
  const act = keys.act(event.key);
  if (!act || event.repeat || event.target.closest("input, button, summary, a, select, textarea")) return;
  event.preventDefault();
  // What is shown to the room first is what the key would have gone past.
  if (state.isHidden) return reveal();
  ACTS[act]();
});

/** How often the meters' rates and the alarms are asked for. */
const METERS_EVERY_MS = 5000;

async function refresh() {
  if (document.hidden) return;
  const { ok, status } = await read("/status").catch(() => ({ ok: false }));
  if (!ok) return;
  showAlarms(status.alarms);
  showMeters(status.meters);
}

setInterval(refresh, METERS_EVERY_MS);
pair().then(load).then(follow).catch((error) => lock(error.message));
