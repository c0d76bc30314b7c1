// What the page of the visit shows, and the state that it is drawn from: sentence, reading, verdict, channels, meters, ledger, alarms.

import { by, element, look, stepWords } from "/common.js";
import { Minute, numberLine } from "/draw.js";

export const state = { step: null, channels: new Map(), ledger: [], captures: [], ask: null, looksOn: false, isHidden: false, frames: new Map(), readAt: performance.now() };

/** The last minute of each channel; that of the step's own is drawn large. */
const minutes = new Map();
const ownMinute = by("minute");

/** Puts a text in where it is another one, so that a screen reader says it once. */
export function put(id, text) {
  if (by(id).textContent !== text) by(id).textContent = text;
}

export function showStep(step) {
  state.step = step;
  showWanted();
  put("hint", "");
  showSentence();
  showReading();
}

/** What is wanted, as long as nothing is captured. */
export function showWanted() {
  put("verdict", state.step?.limit ? `${state.step.limit} wanted` : "");
  by("verdict").className = "none";
}

export function showVerdict({ verdict, reason }) {
  const [shape, kind] = look(verdict);
  const words = `${shape} ${verdict ?? "no limit"}: ${reason}`;
  put("verdict", words);
  by("verdict").className = kind;
  return words;
}

export function showSentence() {
  const { step } = state;
  put("take", step?.asks ? "yes" : "take");
  put("again", step?.asks ? "no" : "again");
  put("zero", step?.quantity === "ohm" ? "null the leads" : "zero the clamp");
  const asksTheRoom = state.isHidden && step !== null;
  document.body.classList.toggle("asking", asksTheRoom);
  const sentence = asksTheRoom ? "What would you measure next?" : state.ask?.text ?? (step ? step.instruction || step.name : idleWords());
  put("sentence", sentence);
  put("waits", state.ask ? `waits for ${state.ask.waits_for}, or a button below` : "");
  by("sentence").classList.toggle("ask", state.ask !== null);
  put("step", step ? (step.place ? `${step.name}, step ${step.place} of ${step.of}` : step.name) : "");
}

function idleWords() {
  const how = (words) => (state.looksOn ? "" : ` Tap more, then ${words}.`);
  if (!state.meters) return `No meter is set up yet.${how("set up")}`;
  return state.session ? "No step is on" : `No session is open.${how("set up, begin")}`;
}

function shownChannel() {
  return state.step?.channel ?? (state.channels.size ? [...state.channels.keys()][0] : null);
}

export function showReading() {
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

/** Adds what came of each channel to its minute. */
export function addToMinute({ channel, value, least = value, greatest = value }) {
  if (!minutes.has(channel)) minutes.set(channel, new Minute(ownMinute));
  minutes.get(channel).push(least, greatest);
}

let drawing = false;

/** Draws once a frame, however much came. */
export function drawSoon() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    showReading();
    showChannels();
  });
}

function row(shape, kind, name, right, why) {
  const parts = [[shape, kind], [name, ""], [right, kind], [why, "why"]];
  return element("li", {}, ...parts.map(([text, kind]) => text && element("span", { class: kind, text })));
}

export function showChannels() {
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
  const strip = element("canvas", { "aria-hidden": "true" });
  return element("li", { "data-channel": channel }, element("span", { text: channel }), strip, element("span", { class: "value", text: " " }));
}

/** What each meter is doing: how many readings a second, or why there are none. */
export function showMeters(meters) {
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

export function showLedger() {
  const rows = state.ledger.map((step) => {
    const { shape, kind, name, words, why } = stepWords(step, state.captures);
    return row(shape, kind, name, words, step.verdict === "in limit" ? "" : why);
  });
  by("ledger").replaceChildren(...rows.reverse());
}

/** What stays is left as it is: a screen reader says what is put in again. */
export function showAlarms(alarms) {
  const list = by("alarms");
  for (const item of [...list.children]) if (!alarms.includes(item.textContent)) item.remove();
  const shown = [...list.children].map(({ textContent }) => textContent);
  for (const alarm of alarms) if (!shown.includes(alarm)) list.append(row("", "", alarm));
}

/** The finding, and within it what to measure next: on a phone that would bury the ledger. */
export function showFinding(finding) {
  put("found", finding ? `${finding.sentence} (${finding.sure})` : "");
  put("next-measured", finding?.next ?? "");
  by("finding").hidden = !finding;
}
