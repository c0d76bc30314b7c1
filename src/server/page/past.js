// Past sessions: found by typing, and one of them with its ledger, findings, plots and files.

import { by, element, look, pair, post, read, visitOf } from "/common.js";

function when(text) {
  return new Date(text).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

function outcome({ steps, outside }) {
  return outside ? `■ ${outside} of ${steps} steps out of limit` : steps ? `${steps} ${steps === 1 ? "step" : "steps"}, none out of limit` : "no steps";
}

async function list() {
  const answer = await read("/sessions", { find: by("find").value });
  if (!answer.ok) return (by("said").textContent = answer.error);
  const rows = answer.sessions.map((session) => {
    const name = [session.machine, session.job, session.procedure].filter(Boolean).join(" · ") || "free-running";
    const words = element("span", { class: session.outside ? "bad" : "soft", text: outcome(session) });
    const link = element("a", { href: `/past?id=${session.uuid}` }, element("strong", { text: name }), element("br"), element("span", { class: "soft", text: `${when(session.began_utc)} · ` }), words);
    return element("li", {}, link);
  });
  by("list").replaceChildren(...rows);
  const shown = rows.length < answer.all ? `, the newest ${rows.length} are shown` : "";
  by("said").textContent = [`${answer.all} found${shown}`, ...answer.unreadable].join(". ");
}

function stepRow(step, captures) {
  const taken = step.capture ?? captures.filter((capture) => capture.step === step.number).at(-1);
  const [shape, kind] = look(step.verdict);
  const name = step.attempt > 1 ? `${step.name} (attempt ${step.attempt})` : step.name;
  const row = element("li", {}, element("span", { class: kind, text: shape }), element("span", { text: name }));
  row.append(element("span", { class: kind, text: [taken?.shown, step.verdict ?? step.left ?? "on"].filter(Boolean).join(", ") }));
  if (step.reason) row.append(element("span", { class: "why", text: step.reason }));
  return row;
}

async function one(id) {
  const answer = await read("/session", { id });
  if (!answer.ok) return (by("said").textContent = answer.error);
  const { session, steps, captures, findings, channels } = answer.session;
  by("all").hidden = true;
  by("one").hidden = false;
  by("sentence").textContent = [session.machine, session.job].filter(Boolean).join(" · ") || `Session ${session.number}`;
  by("about").textContent = [when(session.began_utc), session.procedure, session.vin, session.counter, session.complaint && `"${session.complaint}"`, outcome(session)].filter(Boolean).join("; ");
  by("findings").replaceChildren(...findings.map(({ sentence, sure, next }) => element("li", { text: `${sentence} (${sure}) ${next ?? ""}` })));
  const files = [["sheet", "sheet, one page"], ["full", "full sheet"], ["samples", "samples as CSV"], ["steps", "steps as CSV"], ["events", "events as CSV"]];
  by("downloads").replaceChildren(...files.map(([what, text]) => element("a", { href: `/session/file?${new URLSearchParams({ id, what })}`, download: true, text })));
  by("steps").replaceChildren(...steps.map((step) => stepRow(step, captures)));
  const { photos = [] } = answer.session;
  by("photos").replaceChildren(...photos.map(({ number, text, width, height }) => {
    const image = element("img", { src: `/session/photo?${new URLSearchParams({ id, number })}`, alt: text || `photo ${number}`, width, height, loading: "lazy" });
    return element("figure", {}, image, text && element("figcaption", { text }));
  }));
  const told = answer.events.filter(({ kind }) => kind !== "announced");
  by("h-events").hidden = told.length === 0;
  by("events").replaceChildren(...told.map(({ at_s, kind, subject, text }) => element("li", { text: `${clock(at_s)}  ${kind}${subject ? `, ${subject}` : ""}: ${text}` })));
  for (const channel of channels) await plot(id, channel, steps, told);
}

function clock(seconds) {
  const whole = Math.floor(seconds);
  return `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
}

/** Steps as bands and events as flags, drawn under and over the samples. */
function marks(steps, events) {
  const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);
  return {
    hooks: {
      drawClear: (u) => {
        const { ctx, bbox } = u;
        ctx.save();
        ctx.beginPath();
        ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
        ctx.clip();
        steps.forEach((step, index) => {
          const [from, to] = [u.valToPos(step.began_s, "x", true), u.valToPos(step.ended_s ?? u.scales.x.max, "x", true)];
          ctx.fillStyle = ink(index % 2 ? "--key" : "--zone");
          ctx.fillRect(from, bbox.top, to - from, bbox.height);
          // Above, since most signals rest at zero; where it does not fit, the ledger has it.
          ctx.fillStyle = ink("--soft");
          ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
          const left = Math.max(from, bbox.left) + 12 * devicePixelRatio;
          if (ctx.measureText(step.name).width > Math.min(to, bbox.left + bbox.width) - left - 4) return;
          ctx.fillText(step.name, left, bbox.top + 12 * devicePixelRatio);
        });
        ctx.restore();
      },
      draw: (u) => {
        const { ctx, bbox } = u;
        ctx.fillStyle = ink("--bad");
        for (const { at_s } of events) {
          const x = u.valToPos(at_s, "x", true);
          if (x < bbox.left || x > bbox.left + bbox.width) continue;
          ctx.fillRect(x, bbox.top, devicePixelRatio, bbox.height);
          ctx.beginPath();
          ctx.moveTo(x, bbox.top);
          ctx.lineTo(x + 9 * devicePixelRatio, bbox.top + 5 * devicePixelRatio);
          ctx.lineTo(x, bbox.top + 10 * devicePixelRatio);
          ctx.fill();
        }
      },
    },
  };
}

async function plot(id, { name, quantity, unit }, steps, events) {
  const place = element("figure", { class: "plot" }, element("figcaption", { text: `${name}, ${quantity}` }));
  by("plots").append(place);
  const width = Math.max(300, place.clientWidth || 320);
  const ask = (from, to) => read("/session/plot", { id, channel: name, quantity, from, to, columns: width });
  const first = await ask();
  if (!first.ok || !first.series.at_s.length) return place.append(element("p", { class: "soft", text: first.error ?? "no samples" }));
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--ink");
  const axis = { stroke: ink, grid: { show: false }, ticks: { stroke: ink } };
  let whole = true;
  const chart = new uPlot(
    {
      width,
      height: 200,
      scales: { x: { time: false } },
      axes: [{ ...axis, values: (u, ticks) => ticks.map((tick) => (u.scales.x.max - u.scales.x.min < 20 ? `${tick} s` : clock(tick))) }, { ...axis, label: unit === "ohm" ? "Ω" : unit, size: 64 }],
      series: [{ label: "s" }, { label: name, stroke: ink, width: 2, spanGaps: false, points: { show: (u) => u.data[0].length < 200 } }],
      cursor: { drag: { x: true, y: false } },
      plugins: [marks(steps, events)],
      hooks: {
        setSelect: [
          async (u) => {
            const [from, to] = [u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")];
            if (!(to > from)) return;
            const { ok, series } = await ask(from, to);
            if (!ok) return;
            whole = false;
            u.setData([series.at_s, series.value], false);
            u.setScale("x", { min: from, max: to });
            place.dataset.samples = series.whole ? "single" : "thinned";
          },
        ],
      },
    },
    [first.series.at_s, first.series.value],
    place,
  );
  place.dataset.samples = first.series.whole ? "single" : "thinned";
  window.addEventListener("resize", () => chart.setSize({ width: Math.max(300, place.clientWidth), height: 200 }));
  place.addEventListener("dblclick", () => {
    if (whole) return;
    whole = true;
    chart.setData([first.series.at_s, first.series.value]);
  });
}

/** What was told wrongly of the visit; what follows from it is judged again. */
async function correct(id, told, undo = false) {
  const answer = await post("/session/correct", { id, told, undo });
  by("said").textContent = answer.ok ? `${undo ? "undone" : "corrected"}${answer.judged_again ? ", and judged again" : ""}` : answer.error;
  if (!answer.ok) return;
  by("correction").reset();
  by("correct").open = false;
  by("plots").replaceChildren();
  await one(id);
}

let typing;
by("find").addEventListener("input", () => {
  clearTimeout(typing);
  typing = setTimeout(list, 150);
});

pair()
  .then(() => {
    const id = new URLSearchParams(location.search).get("id");
    if (!id) return list();
    by("correction").addEventListener("submit", (event) => {
      event.preventDefault();
      try {
        correct(id, visitOf(event.target));
      } catch (error) {
        by("said").textContent = error.message;
      }
    });
    by("undo").addEventListener("click", () => correct(id, {}, true));
    return read("/status").then((answer) => {
      by("correct").hidden = answer.permission === "look on";
      return one(id);
    });
  })
  .catch((error) => (by("said").textContent = error.message));
