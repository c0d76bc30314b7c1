// Setting up without writing files, in the order in which a person thinks: meters, bench, procedure, machine, begin.

import { benchOf, meterBlock, showLive } from "/bench.js";
import { by, element, field, pair, post, read, visitOf } from "/common.js";

const state = { derived: [], procedure: null, listening: null, inUse: [] };

function say(words, wrong = false) {
  by("said").textContent = words;
  by("said").className = wrong ? "bad" : "good";
  if (wrong) by("said").scrollIntoView({ block: "nearest" });
}

/** Shows what was refused; true where it was not. */
function went(answer, words) {
  say(answer.ok ? words : answer.error, !answer.ok);
  return answer.ok;
}

async function loadBench(name) {
  const bench = await read("/bench", { name });
  if (!bench.ok) return say(bench.error, true);
  state.derived = bench.form.derived ?? [];
  by("meters").replaceChildren(...(bench.form.meter ?? []).map((meter) => meterBlock(meter)));
  by("benches").replaceChildren(...bench.benches.map((one) => element("option", { value: one, text: one })));
  by("use").hidden = bench.benches.length === 0;
  if (name) by("bench-name").value = name;
}

async function loadPorts() {
  const { ok, ports, error } = await read("/ports");
  if (!ok) return say(error, true);
  const used = [...by("meters").querySelectorAll(".meter")].map((block) => block.dataset.port);
  const rows = ports
    .filter(({ port }) => !used.includes(port))
    .map(({ port, words }) => {
      const said = element("p", { class: "soft", text: words });
      const listen = element("button", { type: "button", text: "listen" });
      listen.addEventListener("click", () => recognise(port, said, listen));
      return element("li", { "data-port": port }, element("p", { class: "port", text: port }), said, listen);
    });
  by("ports").replaceChildren(...(rows.length ? rows : [element("li", { text: "Nothing more is plugged in. Plug a meter in, switch its output on, and look again." })]));
}

async function recognise(port, said, button) {
  button.disabled = true;
  said.textContent = "listening; this takes some seconds";
  const answer = await post("/ports/listen", { port, ask: button.dataset.ask === "yes" });
  button.disabled = false;
  if (!answer.ok) {
    said.textContent = `${answer.error} Listening again also sends the questions of meters that only answer, which can disturb an unknown device.`;
    button.dataset.ask = "yes";
    button.textContent = "ask and listen";
    return;
  }
  const [best] = answer.candidates;
  const channel = best.values.map(({ name }) => ({ name: best.values.length > 1 ? name : "probe", reads: name }));
  const meter = { name: free("meter"), port, protocol: best.protocol, baud: best.baud, channel };
  const block = meterBlock(meter, true);
  showLive(block, newest(best.first));
  if (!best.clear) block.querySelector(".live").after(element("p", { class: "close", text: "◆ it is not clear that this is right: compare with the display" }));
  by("meters").append(block);
  button.closest("li").remove();
  relisten(block);
}

/** The newest reading of each value, as the display has it. */
function newest(first) {
  const byName = new Map(first.map((reading) => [reading.split(" = ")[0], reading.split(" = ").at(-1)]));
  return byName.size === 1 ? [["", ...byName.values()]] : [...byName];
}

function free(name) {
  const taken = [...by("meters").querySelectorAll(".meter")].map((block) => block.own.name);
  for (let number = 1; ; number += 1) {
    const wanted = number === 1 ? name : `${name} ${number}`;
    if (!taken.includes(wanted)) return wanted;
  }
}

/** New readings of a port that no meter of the daemon has, for as long as its block is there. */
async function relisten(block) {
  const { port, baud } = block.own;
  while (block.isConnected) {
    if (document.visibilityState === "visible") {
      const answer = await post("/ports/listen", { port, baud });
      const same = answer.ok && answer.candidates.find(({ protocol }) => protocol === block.own.protocol);
      if (same) showLive(block, newest(same.first));
    }
    await new Promise((after) => setTimeout(after, 1500));
  }
}

/** Readings of the meters that the daemon reads already. */
async function live() {
  const { ok, status } = await read("/status");
  if (!ok) return;
  for (const { meter, channels } of status.meters) {
    const block = [...by("meters").querySelectorAll(".meter")].find(({ own }) => own.name === meter);
    const shown = status.readings.filter(({ channel }) => channels.includes(channel)).map(({ channel, shown: text }) => [channel, text]);
    if (block && shown.length) showLive(block, shown);
  }
}

async function loadProcedures(chosen) {
  const { ok, procedures, error } = await read("/procedures");
  if (!ok) return say(error, true);
  const option = ({ name, own, title, steps, wrong }) =>
    element("option", { value: `${own ? "own" : "shipped"}/${name}`, text: `${own ? "own: " : ""}${title} (${wrong ? "can't be read" : `${steps} steps`})`, disabled: wrong !== undefined, selected: own && name === chosen });
  by("procedure").replaceChildren(element("option", { value: "", text: "none: mark steps as you go" }), ...procedures.map(option));
  await chooseProcedure();
}

function source() {
  const [kind, name] = by("procedure").value.split("/");
  return name ? { name, own: kind === "own" } : null;
}

async function chooseProcedure() {
  const chosen = source();
  state.procedure = null;
  by("caution").textContent = "";
  by("figures").hidden = !chosen;
  if (chosen) {
    const answer = await read("/procedure", chosen);
    if (!answer.ok) return say(answer.error, true);
    state.procedure = { ...answer, file: `${chosen.name}.toml` };
    by("caution").textContent = answer.caution;
    by("own-name").value = chosen.own ? chosen.name : `${chosen.name} own`;
    const rows = answer.figures.map((figure) => {
      const input = element("input", { value: figure.value, autocomplete: "off", required: true });
      input.figure = figure;
      return field(`${figure.name}: ${figure.key.replace("_", " ")}`, input);
    });
    by("figure-fields").replaceChildren(...rows);
  }
  await check();
}

async function check() {
  const form = benchOf(state.derived);
  const answer = form.meter.length ? await post("/bench/check", { form, procedure: source() }) : { ok: true, sentences: ["There is no meter yet."] };
  const sentences = answer.ok ? answer.sentences : [answer.error];
  by("unfit").replaceChildren(...(sentences.length ? sentences : ["● Nothing: the bench suits it."]).map((text) => element("li", { text })));
}

async function save(event) {
  event.preventDefault();
  const name = by("bench-name").value.trim();
  const answer = await post("/bench", { name, replace: by("replace").checked, form: benchOf(state.derived) });
  if (went(answer, `saved as ${answer.file}`)) await use(name);
}

async function use(name) {
  if (!went(await post("/bench/use", { name }), `"${name}" is in use from now on`)) return;
  // The daemon begins anew with it.
  for (let tries = 0; tries < 40; tries += 1) {
    await new Promise((after) => setTimeout(after, 250));
    const { ok, status } = await read("/status");
    if (ok && status.meters.length) break;
  }
  await loadBench(name);
  await loadPorts();
  await check();
}

by("save").addEventListener("submit", save);
by("use").addEventListener("submit", (event) => {
  event.preventDefault();
  use(by("benches").value);
});
by("look").addEventListener("click", loadPorts);
by("meters").addEventListener("change", check);
by("procedure").addEventListener("change", chooseProcedure);
by("own").addEventListener("submit", async (event) => {
  event.preventDefault();
  const name = by("own-name").value.trim();
  const figures = [...by("figure-fields").querySelectorAll("input")].map((input) => ({ ...input.figure, value: input.value.trim() }));
  const answer = await post("/procedure", { of: source(), name, replace: source().own, figures });
  if (went(answer, `saved as ${answer.file}`)) await loadProcedures(name);
});
by("begin").addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const procedure = state.procedure && { file: state.procedure.file, text: state.procedure.text };
    const answer = await post("/do", { do: "begin", ...visitOf(event.target), procedure });
    if (went(answer, "The session has begun.")) location.href = "/";
  } catch (error) {
    say(error.message, true);
  }
});

async function start() {
  await pair();
  const answer = await read("/status");
  if (!answer.ok) return say(answer.error, true);
  if (answer.permission === "look on") return say("This link only shows.", true);
  await loadBench();
  await loadPorts();
  await loadProcedures();
  setInterval(live, 1000);
}

start().catch((error) => say(error.message, true));
