// Voice, tones and the screen that stays on: what a tap begins. One page speaks for all, the one that was tapped last.

import { Awake } from "/awake.js";
import { by, post } from "/common.js";
import { Voice } from "/voice.js";

export const voice = new Voice();
const awake = new Awake((words, held) => {
  by("awake").textContent = words;
  by("screen").setAttribute("aria-pressed", String(held));
});

export const PAGE = `page-${crypto.getRandomValues(new Uint32Array(1))[0]}`;
/** A page that speaks says so again at least every ten seconds. */
const STILL_SPEAKS_MS = 8000;

/** Claims the one voice for this page, or gives it back. */
function claim(name) {
  post("/do", { do: "speaker", name }).catch(() => {});
}

setInterval(() => voice.how === "words" && claim(PAGE), STILL_SPEAKS_MS);

export function sound(how) {
  voice.set(how);
  by("voice").setAttribute("aria-pressed", String(how === "words"));
  by("voice").textContent = how === "words" ? "voice is on" : "voice is off";
  by("tones").setAttribute("aria-pressed", String(how === "tones"));
}

for (const [id, how] of [["voice", "words"], ["tones", "tones"]]) {
  by(id).addEventListener("click", () => {
    const before = voice.how;
    sound(before === how ? "off" : how);
    if (voice.how === "words") claim(PAGE);
    else if (before === "words") claim("");
    if (voice.how !== "off") awake.hold();
  });
}
by("screen").addEventListener("click", () => (awake.wanted ? awake.release() : awake.hold()));
