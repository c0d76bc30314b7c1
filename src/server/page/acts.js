// What the operator does: buttons, keys, the forms of the menu, the view for the room.

import { by, post, visitOf } from "/common.js";
import { Keys } from "/keys.js";
import { showSentence, state } from "/show.js";
import { voice } from "/sound.js";

const keys = new Keys();

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
  const label = (field) => event.target.elements.namedItem(field).labels[0].textContent;
  const corrected = answer.corrections.map(({ field, value_after }) => `${label(field)}: ${value_after}`);
  event.target.reset();
  done([...corrected, ...(answer.warnings ?? [])].join("; "));
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
