// The visit: what to do, what the meter shows, what came of it. The state is read whole at the start and after a lost
// connection; news change it in between. Texts are put in as texts, never as HTML.

import { Awake } from "/awake.js";
import { by, filled, look, pair, post, read } from "/common.js";
import { Minute, numberLine } from "/draw.js";
import { Voice } from "/voice.js";

const voice = new Voice();
const awake = new Awake((words, held) => {
  by("awake").textContent = words;
  by("screen").setAttribute("aria-pressed", String(held));
});
const minute = new Minute(by("minute"));
// A presenter's and a foot switch's keys; others are given in this browser's storage as {"F5": "next"}.
const KEYS = { " ": "take", Enter: "take", PageDown: "next", PageUp: "again", ...own("bayline-keys") };

const state = { step: null, channels: new Map(), ledger: [], captures: [], ask: null, looksOn: false };

function own(name) {
  try {
    return JSON.parse(localStorage.getItem(name)) ?? {};
  } catch {
    return {};
  }
}

/** Asks the daemon; what it refuses is said and shown. */
async function ask(request) {
  const answer = await post("/do", request).catch(() => ({ ok: false, error: "the daemon does not answer" }));
  if (!answer.ok) {
    by("verdict").textContent = answer.error;
    by("verdict").className = "none";
    voice.say(answer.spoken ?? { kind: "refused", words: answer.error });
  }
  return answer;
}

function showStep(step) {
  state.step = step;
  minute.clear();
  by("verdict").textContent = step?.limit ? `${step.limit} wanted` : "";
  by("verdict").className = "none";
  by("take").textContent = step?.asks ? "yes" : "take";
  by("again").textContent = step?.asks ? "no" : "again";
  by("hint").textContent = "";
  showSentence();
  showReading();
}

function showSentence() {
  const { step } = state;
  by("sentence").textContent = state.ask?.text ?? (step ? step.instruction || step.name : idleWords());
  by("waits").textContent = state.ask ? `waits for ${state.ask.waits_for}, or a button below` : "";
  by("sentence").classList.toggle("ask", state.ask !== null);
  by("step").textContent = step ? (step.place ? `${step.name}, step ${step.place} of ${step.of}` : step.name) : "";
}

function idleWords() {
  if (!state.meters) return "No meter is set up yet. Tap more, then set up.";
  return state.session ? "No step is on" : "No session is open. Tap more, then set up, begin.";
}

function shownChannel() {
  return state.step?.channel ?? (state.channels.size ? [...state.channels.keys()][0] : null);
}

function showReading() {
  const reading = state.channels.get(shownChannel());
  const [figure, ...unit] = (reading?.shown ?? "–").split(" ");
  by("figure").textContent = figure;
  by("figure").style.setProperty("--length", String(figure.length + unit.join(" ").length / 2));
  by("unit").textContent = unit.join(" ");
  by("reading").classList.toggle("stale", !reading || reading.age_s > 2);
  const { limit_low: low, limit_high: high } = state.step ?? {};
  const value = typeof reading?.value === "number" ? reading.value : NaN;
  numberLine(by("line"), value, low, high, reading?.unit ?? "");
  minute.draw(low, high);
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
  by("channels").replaceChildren(...others.map((reading) => row(" ", reading.age_s > 2 ? "stale" : "", reading.channel, reading.shown)));
}

function showLedger() {
  const rows = state.ledger.map((step) => {
    const [shape, kind] = look(step.verdict);
    const taken = step.capture ?? state.captures.filter((capture) => capture.step === step.number).at(-1);
    return row(shape, kind, step.name, [taken?.shown, step.verdict ?? step.left ?? ""].filter(Boolean).join("  "), step.verdict === "in limit" ? "" : step.reason);
  });
  by("ledger").replaceChildren(...rows.reverse());
}

function showAlarms(alarms) {
  by("alarms").replaceChildren(...alarms.map((alarm) => row("", "", alarm)));
}

/** Reads the state whole. */
async function load() {
  const answer = await read("/status");
  if (!answer.ok) return lock(answer.error);
  state.looksOn = answer.permission === "look on";
  document.body.classList.toggle("looks-on", state.looksOn);
  const { status } = answer;
  const { session } = status;
  const open = status.meters.filter((meter) => meter.open).length;
  by("visit").textContent = session ? [session.machine, session.job, session.procedure].filter(Boolean).join(" · ") || "a session is open" : "no session is open";
  by("link").textContent = `${open} of ${status.meters.length} meters`;
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
  const finding = status.findings[0];
  by("finding").textContent = finding ? `${finding.sentence} (${finding.sure}) ${finding.next}` : "";
  if (session) await loadLedger();
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

function lock(why) {
  by("sentence").textContent = why;
  by("link").textContent = "";
  for (const button of document.querySelectorAll("button")) button.disabled = true;
}

const NEWS = {
  // One speaker for all: the last that was tapped.
  speaker({ name }) {
    if (name === PAGE || voice.how !== "words") return;
    sound("off");
    by("hint").textContent = name === "say" ? "The computer speaks now, this page is silent." : "Another page speaks now, this one is silent.";
  },
  readings({ readings }) {
    for (const reading of state.channels.values()) reading.age_s += 0.25;
    for (const reading of readings) state.channels.set(reading.channel, reading);
    const own = readings.find((reading) => reading.channel === shownChannel());
    if (own && typeof own.value === "number") minute.push(own.value);
    showReading();
    showChannels();
  },
  step({ step }) {
    state.ask = null;
    showStep(step);
    loadLedgerSoon();
  },
  captured({ capture }) {
    const [shape, kind] = look(capture.verdict);
    const words = capture.verdict ?? "no limit";
    by("verdict").textContent = `${shape} ${words}: ${capture.reason}`;
    by("verdict").className = kind;
    voice.tone(kind);
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
  event: load,
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
  stream.addEventListener("missed", load);
  stream.onerror = () => {
    lost = true;
    by("link").textContent = "connection lost, trying again";
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
  zero: () => ask({ do: "zero", channel: state.step?.channel ?? clamp() ?? "" }).then(({ ok, zeroed }) => ok && done(`zeroed: ${zeroed.offset.toPrecision(3)} ${zeroed.unit} is taken off from now on`)),
  undo: () => ask({ do: "undo" }).then((answer) => answer.ok && done(answer.undone)),
  end() {
    if (!confirm("End the session?")) return;
    ask({ do: "end" }).then((answer) => answer.ok && done("The session is ended."));
  },
};

/** The one channel that measures current, where no step names one. */
function clamp() {
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
  const answer = await ask({ do: "correct", ...filled(event.target) });
  if (!answer.ok) return;
  event.target.reset();
  done(answer.corrections.map(({ field, value_after }) => `${field} is ${value_after}`).join(", "));
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
by("room").addEventListener("click", () => {
  const on = document.body.classList.toggle("room");
  by("room").setAttribute("aria-pressed", String(on));
  by("more").open = false;
});
// A presenter or a foot switch is a keyboard.
document.addEventListener("keydown", (event) => {
  const act = KEYS[event.key];
  if (!act || event.repeat || event.target.closest("input, button, summary, a, select, textarea")) return;
  event.preventDefault();
  ACTS[act]();
});

pair().then(load).then(follow).catch((error) => lock(error.message));
