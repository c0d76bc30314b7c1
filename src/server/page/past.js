// Past sessions: found by typing, and one of them with its ledger, findings, plots and files.

import { by, element, pair, post, read, stepWords, visitOf } from "/common.js";
import { Drive, clock } from "/drive.js";

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
  const { shape, kind, name, words, why } = stepWords(step, captures);
  const row = element("li", {}, element("span", { class: kind, text: shape }), element("span", { text: name }));
  row.append(element("span", { class: kind, text: words }));
  if (why) row.append(element("span", { class: "why", text: why }));
  return row;
}

async function one(id) {
  const answer = await read("/session", { id });
  if (!answer.ok) return (by("said").textContent = answer.error);
  const { session, steps, captures, findings } = answer.session;
  by("all").hidden = true;
  by("one").hidden = false;
  by("sentence").textContent = [session.machine, session.job].filter(Boolean).join(" · ") || `Session ${session.number}`;
  by("about").textContent = [when(session.began_utc), session.procedure, session.vin, session.counter, session.complaint && `"${session.complaint}"`, outcome(session)].filter(Boolean).join("; ");
  by("parts").hidden = answer.parts.length === 0;
  by("parts").replaceChildren(`This visit was recorded in ${answer.parts.length} parts: `, ...answer.parts.flatMap(({ uuid, began_utc }, index) => {
    const own = uuid === session.uuid;
    const text = `part ${index + 1}, ${when(began_utc)}`;
    const part = own ? element("strong", { text: `${text} (shown here)` }) : element("a", { href: `/past?id=${uuid}`, text });
    return index ? [" · ", part] : [part];
  }));
  by("findings").replaceChildren(...findings.map(({ sentence, sure, next }) => element("li", { text: `${sentence} (${sure}) ${next ?? ""}` })));
  const files = [["sheet", "sheet, one page"], ["full", "full sheet"], ["samples", "samples as CSV"], ["steps", "steps as CSV"], ["events", "events as CSV"]];
  const file = ([what, text]) => element("a", { href: `/session/file?${new URLSearchParams({ id, what })}`, download: true, text });
  by("downloads").replaceChildren(...files.map(file));
  by("steps").replaceChildren(...steps.map((step) => stepRow(step, captures)));
  const { photos = [] } = answer.session;
  by("photos").replaceChildren(...photos.map(({ number, text, width, height }) => {
    const image = element("img", { src: `/session/photo?${new URLSearchParams({ id, number })}`, alt: text || `photo ${number}`, width, height, loading: "lazy" });
    return element("figure", {}, image, text && element("figcaption", { text }));
  }));
  const told = answer.events.filter(({ kind }) => kind !== "announced");
  by("h-events").hidden = told.length === 0;
  by("events").replaceChildren(...told.map(({ at_s, kind, subject, text }) => element("li", { text: `${clock(at_s)}  ${kind}${subject ? `, ${subject}` : ""}: ${text}` })));
  if (await new Drive(id, steps).open()) by("downloads").append(...[["track", "track as CSV"], ["gpx", "track as GPX"]].map(file));
}

/** What was told wrongly of the visit; what follows from it is judged again. */
async function correct(id, told, undo = false) {
  const answer = await post("/session/correct", { id, told, undo });
  by("said").textContent = answer.ok ? `${undo ? "undone" : "corrected"}${answer.judged_again ? ", and judged again" : ""}` : answer.error;
  if (!answer.ok) return;
  by("correction").reset();
  by("correct").open = false;
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
