// Keeps the screen on, and says honestly by what: a wake lock where the browser gives one (loopback and https), else a video
// with a silent audio track, begun by the tap and looped by seeking.

export class Awake {
  constructor(tell) {
    this.tell = tell;
    this.wanted = false;
    this.lock = null;
    this.video = null;
    document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.wanted && this.hold());
  }

  async hold() {
    this.wanted = true;
    try {
      this.lock = await navigator.wakeLock.request("screen");
      this.lock.addEventListener("release", () => this.tell("The screen may go dark.", false));
      return this.tell("The screen is held awake by the browser's wake lock.", true);
    } catch {
      return this.play();
    }
  }

  async play() {
    const video = (this.video ??= document.createElement("video"));
    video.src ||= "/awake.webm";
    video.setAttribute("playsinline", "");
    video.ontimeupdate = () => {
      if (video.currentTime > 1) video.currentTime = 0.1;
    };
    video.onended = () => video.play().catch(() => {});
    try {
      await video.play();
      this.tell("This address has no wake lock: a silent video plays, which holds most screens awake. Watch whether it holds yours.", true);
    } catch {
      this.tell("This browser does not hold the screen awake here: set the screen's own time longer.", false);
    }
  }

  release() {
    this.wanted = false;
    this.lock?.release();
    this.video?.pause();
    this.tell("The screen may go dark. Voice and tones keep it on too.", false);
  }
}
