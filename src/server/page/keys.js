// The keys of a presenter or a foot switch: what each does, chosen by pressing it. They are kept in this browser, as a table
// from key to act; an act of null takes a usual key away.

import { by, element } from "/common.js";

const USUAL = { " ": "take", Enter: "take", PageDown: "next", PageUp: "again" };
const STORED = "bayline-keys";
/** What a key can do, in the order of the form. */
const ACTS = { take: "take, yes", next: "next", again: "again, no", back: "back", skip: "skip", mark: "mark", undo: "undo" };
/** With these the page itself is worked, so they can't be chosen. */
const KEPT = ["Tab", "Escape", "Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock", "Dead", "Process", "Unidentified"];
const NAMES = { " ": "space", PageDown: "page down", PageUp: "page up", ArrowLeft: "arrow left", ArrowRight: "arrow right", ArrowUp: "arrow up", ArrowDown: "arrow down" };

/** The key as a person names it. */
export function keyName(key) {
  return NAMES[key] ?? (key.length === 1 ? key.toUpperCase() : key.toLowerCase());
}

export class Keys {
  constructor() {
    this.own = {};
    try {
      this.own = JSON.parse(localStorage.getItem(STORED)) ?? {};
    } catch {
      // Not readable: the usual keys.
    }
    this.learning = null;
    this.buttons = new Map();
    for (const [act, words] of Object.entries(ACTS)) {
      const button = element("button", { type: "button", "data-act": act });
      button.addEventListener("click", () => this.learn(this.learning === act ? null : act));
      button.addEventListener("blur", () => this.learning === act && this.learn(null));
      this.buttons.set(act, { button, words });
      by("key-acts").append(button);
    }
    by("usual-keys").addEventListener("click", () => {
      this.own = {};
      this.save("The usual keys are back.");
    });
    // Before the page or the button takes the key for itself.
    document.addEventListener("keydown", (event) => this.learned(event), true);
    document.addEventListener("keyup", (event) => this.swallow(event), true);
    this.show();
  }

  /** What a key does; undefined where it does nothing. */
  act(key) {
    return { ...USUAL, ...this.own }[key];
  }

  keysOf(act) {
    return Object.entries({ ...USUAL, ...this.own }).filter(([, does]) => does === act).map(([key]) => key);
  }

  learn(act) {
    this.learning = act;
    by("key-said").textContent = act ? `Press the key for ${act}. A key that it has already is taken away. Escape leaves it as it is.` : "";
    this.show();
  }

  learned(event) {
    const { key } = event;
    if (!this.learning || (KEPT.includes(key) && key !== "Escape")) return;
    event.preventDefault();
    event.stopPropagation();
    this.pressed = key;
    const act = this.learning;
    this.learn(null);
    if (key === "Escape") return;
    const had = this.act(key);
    this.own = { ...this.own, [key]: had === act ? null : act };
    this.save(had === act ? `${keyName(key)} does nothing now.` : `${keyName(key)} is ${act} now${had ? `, and not ${had} any more` : ""}.`);
  }

  /** The release of the key that was just chosen must not press the button that has the focus. */
  swallow(event) {
    if (event.key !== this.pressed) return;
    this.pressed = null;
    event.preventDefault();
    event.stopPropagation();
  }

  save(words) {
    localStorage.setItem(STORED, JSON.stringify(this.own));
    by("key-said").textContent = words;
    this.show();
  }

  show() {
    for (const [act, { button, words }] of this.buttons) {
      const keys = this.keysOf(act).map(keyName).join(" or ") || "no key";
      button.textContent = this.learning === act ? "press the key" : `${words}: ${keys}`;
      button.setAttribute("aria-pressed", String(this.learning === act));
    }
  }
}
