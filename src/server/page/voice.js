// Speech and tones. Browsers let a page make sounds only after a tap.

const UNITS = [
  [/(\d) ?mV\b/g, "$1 millivolts"], [/(\d) ?V\b/g, "$1 volts"], [/(\d) ?mA\b/g, "$1 milliamps"], [/(\d) ?uA\b/g, "$1 microamps"],
  [/(\d) ?A\b/g, "$1 amps"], [/(\d) ?mohm\b/g, "$1 milliohms"], [/(\d) ?kohm\b/g, "$1 kiloohms"], [/(\d) ?Mohm\b/g, "$1 megohms"],
  [/(\d) ?ohm\b/g, "$1 ohms"], [/(\d) ?°C/g, "$1 degrees"], [/(\d) ?%/g, "$1 percent"], [/ ± /g, " plus or minus "], [/(^|\s)-(?=\d)/g, "$1minus "],
  [/\bOL\b/g, "overload"], [/`/g, ""],
];

/** A sentence as a person says it: units as whole words. */
export function spoken(text) {
  return UNITS.reduce((words, [pattern, word]) => words.replace(pattern, word), text);
}

export class Voice {
  constructor() {
    this.how = "off";
    this.context = null;
    this.asked = { text: "", at: 0, times: 0 };
  }

  /** Called by a tap, as browsers demand: "words", "tones" or "off". */
  set(how) {
    this.how = how;
    if (how === "off") return window.speechSynthesis?.cancel();
    this.context ??= new AudioContext();
    this.context.resume();
    if (how === "words") this.say("Voice is on.", true);
    else this.tone("good");
  }

  /** Says a sentence; what matters more cuts what is being said short, a count that is not over too. */
  say(text, urgent = false) {
    if (this.how !== "words" || !("speechSynthesis" in window)) return;
    if (urgent) window.speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(spoken(text));
    words.lang = "en";
    window.speechSynthesis.speak(words);
  }

  /** A question that is repeated waits longer each time. */
  ask(text) {
    const now = performance.now();
    const again = text === this.asked.text;
    if (again && now - this.asked.at < 4000 * 2 ** this.asked.times) return;
    this.asked = { text, at: now, times: again ? Math.min(this.asked.times + 1, 4) : 0 };
    this.say(text, true);
  }

  /** A number of a count is said only while nothing else is. */
  count(seconds) {
    if (this.how === "tones") return this.tone("none");
    if (window.speechSynthesis?.speaking && seconds > 3) return;
    this.say(String(seconds), seconds <= 3);
  }

  /** Rising two for in limit, falling two for out of limit, one level for anything else. Words alone need none. */
  tone(verdict) {
    if (this.how === "tones") this.play({ good: [520, 780], bad: [520, 350] }[verdict] ?? [520]);
  }

  /** A high one for a drop-out, while the harness is moved. */
  tick() {
    this.play([1400]);
  }

  play(tones) {
    if (this.how === "off" || !this.context) return;
    tones.forEach((frequency, index) => {
      const [oscillator, gain] = [this.context.createOscillator(), this.context.createGain()];
      const from = this.context.currentTime + 0.16 * index;
      oscillator.frequency.value = frequency;
      gain.gain.setValueAtTime(0.2, from);
      gain.gain.exponentialRampToValueAtTime(0.001, from + 0.15);
      oscillator.connect(gain).connect(this.context.destination);
      oscillator.start(from);
      oscillator.stop(from + 0.16);
    });
  }
}
