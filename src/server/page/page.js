// The visit: what to do, what the meter shows, what came of it. The state is read whole at the start and after a lost
// connection; news change it in between. Texts are put in as texts, never as HTML.

import "/acts.js";
import { by, look, pair, read } from "/common.js";
import { addToMinute, drawSoon, put, showAlarms, showChannels, showFinding, showLedger, showMeters, showReading, showSentence, showStep, showVerdict, showWanted, state } from "/show.js";
import { PAGE, sound, voice } from "/sound.js";

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
  put("visit", session ? [session.machine, session.job, session.procedure].filter(Boolean).join(" · ") || "a session is open" : "no session is open");
  put("link", `${open} of ${status.meters.length} ${status.meters.length === 1 ? "meter" : "meters"}`);
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
  showFinding(status.findings[0]);
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
  put("link", "connection lost, trying again");
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
      addToMinute(reading);
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
    showFinding(finding);
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

function take(news) {
  NEWS[news.news]?.(news);
  voice.say(news.spoken);
}

/** Reads the state once the news come: what happens in between waits, and is taken in after it. */
function follow() {
  const stream = new EventSource("/news");
  let waiting = null;
  stream.onopen = async () => {
    waiting ??= [];
    await load();
    const news = waiting ?? [];
    waiting = null;
    news.forEach(take);
  };
  stream.onmessage = ({ data }) => {
    const news = JSON.parse(data);
    if (waiting) waiting.push(news);
    else take(news);
  };
  stream.onerror = () => {
    put("link", "connection lost, trying again");
    // The browser tries no more where the daemon refuses, as a revoked link: the state says why.
    if (stream.readyState === EventSource.CLOSED) load();
  };
}

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
by("finding").open = matchMedia("(min-width: 64rem)").matches;
pair().then(follow).catch((error) => lock(error.message));
