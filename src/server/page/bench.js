// The form of a bench: one block for each meter, one for each of its channels, with the keys of the bench file.

import { by, element, field, select } from "/common.js";

// As clamps are printed: common practice, no source. What is not in the list is typed.
const SCALES = [["", "none: it shows the value itself"], "1 mV/A", "10 mV/A", "100 mV/A", "1 mV per 10 mA", "1 mV per 100 mA", ["other", "another, typed as printed on it"]];
// Classes of data sheets: common practice, no source. A meter's own sheet comes first.
const ACCURACIES = [["", "not known"], ["0.5 % + 2 digits", "handheld meter, 0.5 % + 2 digits"], ["1 % + 3 digits", "simple meter, 1 % + 3 digits"], ["1.5 % + 20 mA", "clamp, 1.5 % + 20 mA"], ["3 % + 50 mA", "simple clamp, 3 % + 50 mA"], ["other", "another, typed from the sheet"]];
const QUANTITIES = [["", "as the meter says"], "V DC", "V AC", "A DC", "A AC", "ohm", "Hz", "°C", "%"];

/** A list of usual values with room to type another. */
function choiceOrTyped(label, key, choices, value, hint) {
  const known = choices.some((choice) => (Array.isArray(choice) ? choice[0] : choice) === value);
  const list = select(choices, known ? value : "other", { "data-choice": key });
  const typed = element("input", { "data-key": key, value: value ?? "", autocomplete: "off", "aria-label": `${label}, typed`, hidden: known });
  list.addEventListener("change", () => {
    typed.hidden = list.value !== "other";
    typed.value = list.value === "other" ? "" : list.value;
    if (!typed.hidden) typed.focus();
  });
  const block = field(label, list, hint);
  block.append(typed);
  return block;
}

function text(value) {
  return typeof value === "string" || typeof value === "number" ? String(value) : "";
}

/** What a value is set to, as the head of its fields. */
function headOf({ reads, name, quantity, scale }) {
  const set = [name, quantity, scale].map(text).filter(Boolean).join(", ");
  return reads ? `value "${reads}"${set && `: ${set}`}` : set || "channel";
}

/** The fields of one value, open while it is new. */
function channelBlock(channel, open) {
  const input = (key, attributes = {}) => element("input", { "data-key": key, value: text(channel[key]), autocomplete: "off", ...attributes });
  const block = element(
    "fieldset",
    { class: "channel" },
    field("Where it is in the circuit", input("name", { required: true, maxlength: 60 }), "a name such as lift coil, probe, battery"),
    field("What it measures", select(QUANTITIES, text(channel.quantity), { "data-key": "quantity" }), "needed where the meter does not say"),
    choiceOrTyped("Clamp or divider", "scale", SCALES, text(channel.scale), "as printed on it"),
    choiceOrTyped("Accuracy", "accuracy", ACCURACIES, text(channel.accuracy), "as on its data sheet, or by its class"),
    element("button", { type: "button", class: "remove", text: "leave this value out" }),
  );
  block.own = channel;
  const head = element("summary", { text: headOf(channel) });
  const fold = element("details", { class: "fold", open }, head, block);
  block.setAttribute("aria-label", headOf(channel));
  block.addEventListener("change", () => (head.textContent = headOf(values(block, channel))));
  block.querySelector(".remove").addEventListener("click", () => fold.remove());
  return fold;
}

/** Shows the newest readings of a meter, each a name and what its display shows. */
export function showLive(block, readings) {
  const shown = readings.map(([name, value]) => element("span", {}, name && element("span", { class: "soft", text: name }), name && " ", value));
  block.querySelector(".live").replaceChildren(...shown);
}

/** One meter with its channels; those of one that was just found are open. */
export function meterBlock(meter, isNew = false) {
  const block = element(
    "section",
    { class: "meter", "data-port": meter.port },
    element("h3", { text: meter.port }),
    element("p", { class: "live", "aria-live": "off" }),
    field("What you call this meter", element("input", { "data-key": "name", value: text(meter.name), required: true, maxlength: 60, autocomplete: "off" })),
    element("p", { class: "soft", text: `protocol ${meter.protocol}${meter.baud ? `, ${meter.baud} bits a second` : ""}` }),
    ...(meter.channel ?? []).map((channel) => channelBlock(channel, isNew)),
    element("button", { type: "button", class: "remove-meter", text: "leave this meter out" }),
  );
  block.own = meter;
  block.querySelector(".remove-meter").addEventListener("click", () => block.remove());
  return block;
}

function values(block, own) {
  const found = { ...own };
  for (const input of block.querySelectorAll("[data-key]")) {
    if (input.closest("fieldset, .meter") === block) found[input.dataset.key] = input.value.trim();
  }
  return found;
}

/** The bench file of the blocks, as JSON with the file's keys; keys that no field shows stay. */
export function benchOf(derived) {
  const meter = [...by("meters").querySelectorAll(".meter")].map((block) => {
    const channel = [...block.querySelectorAll(".channel")].map((one) => {
      const filled = values(one, one.own);
      // An accuracy by function and range is a list, which the form does not show.
      if (Array.isArray(one.own.accuracy) && !filled.accuracy) filled.accuracy = one.own.accuracy;
      return filled;
    });
    return { ...values(block, block.own), channel };
  });
  return derived?.length ? { meter, derived } : { meter };
}
