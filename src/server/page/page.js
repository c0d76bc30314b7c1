// The visit: what to do, what the meter shows, what came of it. The state is read whole at the start and after a lost
// connection; news change it in between. Texts are put in as texts, never as HTML.

import { Minute, numberLine } from "/draw.js";
import { Voice } from "/voice.js";

const by = (id) => document.getElementById(id);
const voice = new Voice();
const minute = new Minute(by("minute"));
const KEYS = { " ": "take", PageDown: "next", PageUp: "again", Enter: "take" };
const LOOKS = { "in limit": ["●", "good"], "out of limit": ["■", "bad"], "too close to call": ["◆", "close"] };

const state = { step: null, channels: new Map(), ledger: [], ask: null, verdict: null };

function look(verdict) {
  return LOOKS[verdict] ?? ["○", "none"];
}

async function post(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  return answer.json();
}

/** Asks the daemon; what it refuses is said and shown. */
async function ask(request) {
  const answer = await post("/do", request).catch(() => ({ ok: false, error: "the daemon does not answer" }));
  if (!answer.ok) tell(answer.error);
  return answer;
}

function tell(text, urgent = true) {
  by("verdict").textContent = text;
  by("verdict").className = "none";
  voice.say(text, urgent);
}

function showStep(step) {
  state.step = step;
  state.verdict = null;
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
  by("sentence").textContent = state.ask?.text ?? (step ? step.instruction || step.name : "No step is on");
  by("waits").textContent = state.ask ? `waits for ${state.ask.waits_for}, or a button below` : "";
  by("sentence").classList.toggle("ask", state.ask !== null);
  by("step").textContent = step ? (step.place ? `${step.name}, step ${step.place} of ${step.of}` : step.name) : "";
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
    return row(shape, kind, step.name, step.verdict ?? step.left ?? "", step.verdict === "in limit" ? "" : step.reason);
  });
  by("ledger").replaceChildren(...rows.reverse());
}

function showAlarms(alarms) {
  by("alarms").replaceChildren(...alarms.map((alarm) => row("", "", alarm)));
}

/** Reads the state whole. */
async function load() {
  const answer = await fetch("/status").then((reply) => reply.json());
  if (!answer.ok) return lock(answer.error);
  const { status } = answer;
  const { session } = status;
  const open = status.meters.filter((meter) => meter.open).length;
  by("visit").textContent = session ? [session.machine, session.job, session.procedure].filter(Boolean).join(" · ") || "a session is open" : "no session is open";
  by("link").textContent = `${open} of ${status.meters.length} meters`;
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
  const ledger = await fetch("/ledger").then((reply) => reply.json());
  state.ledger = (ledger.steps ?? []).filter((step) => step.left || step.verdict);
  showLedger();
}

function lock(why) {
  by("sentence").textContent = why;
  by("link").textContent = "";
  for (const button of document.querySelectorAll("button")) button.disabled = true;
}

const NEWS = {
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
    voice.say(step.name, true);
    loadLedgerSoon();
  },
  captured({ step, capture }) {
    const [shape, kind] = look(capture.verdict);
    const words = capture.verdict ?? "no limit";
    by("verdict").textContent = `${shape} ${words}: ${capture.reason}`;
    by("verdict").className = kind;
    voice.tone(kind);
    voice.say(`${step}: ${words}. ${capture.reason}`, true);
    loadLedgerSoon();
  },
  judged: loadLedgerSoon,
  tick({ channel }) {
    by("hint").textContent = `drop-out: ${channel}`;
    voice.tick();
  },
  say({ text }) {
    by("hint").textContent = text;
    voice.say(text);
  },
  ask({ ask: question }) {
    state.ask = question;
    showSentence();
    voice.tone("none");
    voice.say(question.text);
  },
  "ask-over"() {
    state.ask = null;
    showSentence();
  },
  count({ seconds }) {
    voice.say(String(seconds));
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
  mark: () => ask({ do: "mark", text: by("text").value }),
  zero: () => ask({ do: "zero", channel: state.step?.channel ?? "" }),
};

for (const [id, act] of Object.entries(ACTS)) by(id).addEventListener("click", act);
by("note").addEventListener("submit", async (event) => {
  event.preventDefault();
  const answer = await ask({ do: "note", text: by("text").value });
  if (answer.ok) by("text").value = "";
});
by("voice").addEventListener("click", () => {
  const on = voice.toggle();
  by("voice").setAttribute("aria-pressed", String(on));
  by("voice").textContent = on ? "voice is on" : "voice is off";
  if (on) stayAwake();
});
by("room").addEventListener("click", () => {
  const on = document.body.classList.toggle("room");
  by("room").setAttribute("aria-pressed", String(on));
  by("more").open = false;
});
// A presenter or a foot switch is a keyboard.
document.addEventListener("keydown", (event) => {
  const act = KEYS[event.key];
  if (!act || event.repeat || event.target.closest("input, button, summary")) return;
  event.preventDefault();
  ACTS[act]();
});

/** Keeps the screen on where the browser allows it, and says honestly whether it does. */
async function stayAwake() {
  try {
    const lock = await navigator.wakeLock.request("screen");
    by("awake").textContent = "the screen is held awake";
    lock.addEventListener("release", () => (by("awake").textContent = "the screen may go dark"));
  } catch {
    by("awake").textContent = "this browser does not hold the screen awake here: set the screen's own time longer";
  }
}
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && voice.on && stayAwake());

/** The token stands behind the # of the printed address; it is redeemed for a cookie and leaves the address bar. */
async function pair() {
  const token = location.hash.slice(1);
  if (!token) return;
  history.replaceState(null, "", "/");
  const answer = await post("/pair", { token });
  if (!answer.ok) throw new Error(answer.error);
}

pair().then(load).then(follow).catch((error) => lock(error.message));
