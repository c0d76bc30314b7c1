// What all pages share: asking the daemon, the way in, and putting texts in as texts, never as HTML.

export const by = (id) => document.getElementById(id);

const LOOKS = { "in limit": ["●", "good"], "out of limit": ["■", "bad"], "too close to call": ["◆", "close"] };

/** Shape and class of a verdict. */
export function look(verdict) {
  return LOOKS[verdict] ?? ["○", "none"];
}

/** A step of a ledger in words: shape and class of its verdict, what was taken of it and what came of it, and why. */
export function stepWords(step, captures) {
  const [shape, kind] = look(step.verdict);
  const taken = step.capture ?? captures.filter((capture) => capture.step === step.number).at(-1);
  const words = [taken?.shown, step.verdict ?? step.left ?? "on"].filter(Boolean).join(", ");
  return { shape, kind, name: step.attempt > 1 ? `${step.name} (attempt ${step.attempt})` : step.name, words, why: step.reason };
}

export async function post(path, body) {
  const answer = await fetch(path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  const text = await answer.text();
  try {
    return JSON.parse(text);
  } catch {
    return { ok: false, error: text || `the daemon answered ${answer.status}` };
  }
}

/** Asks for JSON; what is not there is an answer with a sentence. */
export async function read(path, values = {}) {
  const query = new URLSearchParams(Object.entries(values).filter(([, value]) => value !== undefined && value !== null));
  const lost = { ok: false, lost: true, error: "the daemon does not answer" };
  return fetch(query.size ? `${path}?${query}` : path)
    .then((reply) => reply.json())
    .catch(() => lost);
}

/** The token stands behind the # of the link; it is redeemed for a cookie and leaves the address bar. */
export async function pair() {
  const token = location.hash.slice(1);
  if (!token) return;
  history.replaceState(null, "", location.pathname + location.search);
  const answer = await post("/pair", { token });
  if (!answer.ok) throw new Error(answer.error);
}

/** A new element with a text, attributes and children. */
export function element(name, { text, ...attributes } = {}, ...children) {
  const node = document.createElement(name);
  if (text !== undefined) node.textContent = text;
  for (const [key, value] of Object.entries(attributes)) {
    if (value === true) node.setAttribute(key, "");
    else if (value !== false && value !== undefined && value !== null) node.setAttribute(key, value);
  }
  node.append(...children.filter(Boolean));
  return node;
}

let fields = 0;

/** A labelled field; a hint says what it is for. */
export function field(label, input, hint) {
  fields += 1;
  input.id ||= `field-${fields}`;
  const note = hint && element("small", { text: hint, id: `${input.id}-hint` });
  if (note) input.setAttribute("aria-describedby", note.id);
  return element("p", { class: "field" }, element("label", { text: label, for: input.id }), input, note);
}

/** A list of choices; each is a value, or a value and what it is called. */
export function select(choices, chosen, attributes = {}) {
  const options = choices.map((choice) => {
    const [value, text] = Array.isArray(choice) ? choice : [choice, choice];
    return element("option", { value, text, selected: value === chosen });
  });
  return element("select", attributes, ...options);
}

/** What was filled in, without what was left empty. */
export function filled(form) {
  return Object.fromEntries([...new FormData(form)].map(([key, value]) => [key, value.trim()]).filter(([, value]) => value));
}

/** The fields of a visit, as numbers where they are. */
export function visitOf(form) {
  const visit = filled(form);
  for (const key of ["ambient_c", "part_c"]) {
    if (visit[key] === undefined) continue;
    visit[key] = Number(visit[key].replace(",", ".").replace(/\s*°?C?$/i, ""));
    if (!Number.isFinite(visit[key])) throw new Error("a temperature is a number of °C, such as 63");
  }
  if (visit.vin) visit.vin = visit.vin.toUpperCase();
  return visit;
}
