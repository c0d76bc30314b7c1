// Speech and tones. The words come from the daemon, numbers and units written out; here they wait for each other. Browsers let
// a page make sounds only after a tap.

// What an announcement ends before it is said, and what would be wrong if it came late: as the daemon's own voice has it.
const ENDS = ["count", "tick"];
const ANSWERS = ["captured", "ask"];
const MOST_WAITING = 8;

export class Voice {
  constructor() {
    this.how = "off";
    this.context = null;
    this.waiting = [];
    this.current = null;
    this.asked = { words: "", at: 0, times: 0 };
  }

  /** Called by a tap, as browsers demand: "words", "tones" or "off". */
  set(how) {
    this.how = how;
    this.waiting = [];
    this.cut();
    if (how === "off") return;
    this.context ??= new AudioContext();
    this.context.resume();
    if (how === "words") this.say({ kind: "say", words: "Voice is on." });
    else this.tone("good");
  }

  /** Announces something: one sentence at a time; a verdict cuts a count short, and a newer question an older one. */
  say(announcement) {
    if (this.how !== "words" || !announcement || !("speechSynthesis" in window)) return;
    const { kind, words } = announcement;
    if (kind === "ask" && this.wasJustAsked(words)) return;
    this.end(ANSWERS.includes(kind) ? [...ENDS, "ask"] : ENDS);
    const late = ENDS.includes(kind) && (this.current || this.waiting.length);
    if (late || this.waiting.length >= MOST_WAITING) return;
    this.waiting.push(announcement);
    this.next();
  }

  /** Announcements of these kinds no longer hold. */
  end(kinds) {
    this.waiting = this.waiting.filter(({ kind }) => !kinds.includes(kind));
    if (this.current && kinds.includes(this.current.kind)) this.cut();
  }

  cut() {
    this.current = null;
    window.speechSynthesis?.cancel();
  }

  next() {
    if (this.current || !this.waiting.length) return;
    const announcement = this.waiting.shift();
    const words = new SpeechSynthesisUtterance(announcement.words);
    words.lang = "en";
    words.onend = words.onerror = () => {
      if (this.current !== announcement) return;
      this.current = null;
      this.next();
    };
    this.current = announcement;
    window.speechSynthesis.speak(words);
  }

  /** A question that is repeated waits longer each time. */
  wasJustAsked(words) {
    const now = performance.now();
    const again = words === this.asked.words;
    if (again && now - this.asked.at < 4000 * 2 ** this.asked.times) return true;
    this.asked = { words, at: now, times: again ? Math.min(this.asked.times + 1, 4) : 0 };
    return false;
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
