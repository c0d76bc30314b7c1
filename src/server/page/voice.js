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
    this.on = false;
    this.context = null;
  }

  /** Called by a tap. */
  toggle() {
    this.on = !this.on;
    if (this.on) {
      this.context ??= new AudioContext();
      this.context.resume();
      this.say("Voice is on.");
    } else {
      window.speechSynthesis?.cancel();
    }
    return this.on;
  }

  /** Says a sentence; what matters more cuts what is being said short. */
  say(text, urgent = false) {
    if (!this.on || !("speechSynthesis" in window)) return;
    if (urgent) window.speechSynthesis.cancel();
    const words = new SpeechSynthesisUtterance(spoken(text));
    words.lang = "en";
    window.speechSynthesis.speak(words);
  }

  /** Rising two for in limit, falling two for out of limit, one level for anything else. */
  tone(verdict) {
    this.play({ good: [520, 780], bad: [520, 350] }[verdict] ?? [520]);
  }

  /** A high one for a drop-out, while the harness is moved. */
  tick() {
    this.play([1400]);
  }

  play(tones) {
    if (!this.on || !this.context) return;
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
