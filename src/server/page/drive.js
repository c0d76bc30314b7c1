// A session as one picture: all channels over one axis of time, what was found as flags, and where it went.

import { by, element, read } from "/common.js";

/** A flag is as wide as a finger needs; closer ones share a button. */
const FLAG = 54;
/** Pennants of one plot that are closer than this would cover each other. */
const PENNANT = 12;
/** The numbers of the values have this much room at the left. */
const SIDE = 56;

export function clock(seconds, digits = 0) {
  // The first samples may be some milliseconds older than their session.
  if (seconds < 0) return `-${clock(-seconds, digits)}`;
  const whole = Math.floor(seconds / 60);
  const rest = (seconds - whole * 60).toFixed(digits).padStart(digits ? digits + 3 : 2, "0");
  return whole < 60 ? `${whole}:${rest}` : `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}:${rest}`;
}

/** As many decimals as a stretch of time needs to tell its moments apart. */
const decimals = ([from, to]) => Math.max(0, Math.min(4, Math.ceil(2 - Math.log10(to - from))));

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);

/** The picture of one session, in the elements that past.html has for it. */
export class Drive {
  constructor(id, steps) {
    Object.assign(this, { id, steps, lanes: [], flags: [], whole: [0, 1], turn: 0 });
    by("whole").onclick = () => this.go(...this.whole);
    by("earlier").onclick = () => this.move(-0.5, 1);
    by("later").onclick = () => this.move(0.5, 1);
    by("closer").onclick = () => this.move(0, 0.4);
    by("wider").onclick = () => this.move(0, 2.5);
    window.addEventListener("resize", () => this.fit());
  }

  /** Draws all of it; the answer tells whether there is a track. */
  async open() {
    const ask = () => read("/session/drive", { id: this.id });
    let answer = await ask();
    if (!answer.ok) return this.tell(answer.error);
    if (answer.to_roll_up) {
      const millions = (answer.to_roll_up / 1e6).toFixed(1);
      this.tell(`Drawn for the first time: its ${millions} million samples are gone through once, which may take minutes. Later it is quick.`);
      const [{ name, quantity }] = answer.lanes;
      await read("/session/plot", { id: this.id, channel: name, quantity, columns: 10 });
      answer = await ask();
    }
    const { lanes, flags, track } = answer;
    this.flags = flags;
    by("plots").replaceChildren();
    this.lanes = lanes.map((lane) => {
      const value = element("span", { class: "soft" });
      const place = element("figure", { class: "plot" }, element("figcaption", {}, element("strong", { text: lane.name }), `, ${lane.quantity}  `, value));
      by("plots").append(place);
      return { ...lane, place, value };
    });
    const all = await this.samples();
    const ends = all.flatMap(({ at_s }) => (at_s.length ? [at_s[0], at_s.at(-1)] : []));
    this.tell(ends.length ? "" : "There is nothing to draw: no channel has a sample.");
    const drawn = this.lanes.filter((lane, index) => {
      lane.series = all[index];
      if (!lane.series.at_s.length) lane.value.textContent = "no samples";
      return lane.series.at_s.length;
    });
    this.lanes = drawn;
    by("move").hidden = drawn.length === 0;
    if (ends.length) this.whole = [Math.min(...ends), Math.max(...ends, Math.min(...ends) + 0.001)];
    this.now = this.whole;
    drawn.forEach((lane, index) => this.plot(lane, index === drawn.length - 1));
    this.list();
    this.track(track);
    this.show();
    return track;
  }

  tell(text) {
    by("drawing").textContent = text;
  }

  /** The samples of a stretch, of each channel; twice as many columns as dots, so that near ones are single. */
  samples(from, to) {
    const columns = 2 * Math.max(300, by("plots").clientWidth);
    const { id } = this;
    const ask = ({ name, quantity }) => read("/session/plot", { id, channel: name, quantity, from, to, columns }).then(({ series }) => series ?? { at_s: [], value: [] });
    return Promise.all(this.lanes.map(ask));
  }

  /** Shows a stretch in all plots. */
  async go(from, to) {
    const turn = ++this.turn;
    const all = await this.samples(from, to);
    // Another stretch was asked for meanwhile.
    if (turn !== this.turn) return;
    this.now = [from, to];
    this.lanes.forEach((lane, index) => (lane.series = all[index]));
    this.show();
  }

  /** Shifts by a share of the stretch, and makes it wider or narrower, within the whole. */
  move(share, factor) {
    const [from, to] = this.now;
    const [first, last] = this.whole;
    const span = Math.min((to - from) * factor, last - first);
    const middle = (from + to) / 2 + share * (to - from);
    const start = Math.max(first, Math.min(middle - span / 2, last - span));
    return this.go(start, start + span);
  }

  /** Puts what was read on the page. */
  show() {
    const [from, to] = this.now;
    let single = true;
    for (const { chart, series, place } of this.lanes) {
      chart.batch(() => {
        chart.setData([series.at_s, series.value], false);
        chart.setScale("x", { min: from, max: to });
      });
      place.dataset.samples = series.whole ? "single" : "thinned";
      single &&= series.whole;
    }
    const digits = decimals(this.now);
    by("stretch").textContent = `${clock(from, digits)} to ${clock(to, digits)}, ${single ? "single samples" : "thinned out, each extreme kept"}`;
    by("whole").disabled = from === this.whole[0] && to === this.whole[1];
    this.fly();
  }

  fit() {
    for (const { chart, place } of this.lanes) chart.setSize({ width: Math.max(300, place.clientWidth), height: chart.height });
    this.fly();
  }

  plot(lane, last) {
    const { place, value, name, unit } = lane;
    const stroke = ink("--ink");
    const far = innerWidth >= 1600;
    const axis = { stroke, grid: { show: false }, ticks: { stroke }, font: `${far ? 18 : 14}px system-ui, sans-serif` };
    const shown = unit === "ohm" ? "Ω" : unit;
    const height = (innerWidth < 600 ? 100 : far ? 170 : 130) + (last ? 44 : 0);
    const read = ({ data, cursor: { idx } }) => {
      if (idx === null || idx === undefined) return (value.textContent = "");
      const number = data[1][idx];
      value.textContent = `${number === null ? "beyond the range" : `${Number(number.toPrecision(5))} ${shown}`} at ${clock(data[0][idx], decimals(this.now))}`;
    };
    lane.chart = new uPlot(
      {
        width: Math.max(300, place.clientWidth),
        height,
        padding: [8, 12, last ? 0 : 4, 0],
        legend: { show: false },
        scales: { x: { time: false } },
        axes: [
          { ...axis, show: last, size: 44, values: (_, ticks) => ticks.map((tick) => clock(tick, Math.max(0, decimals(this.now) - 1))) },
          { ...axis, size: SIDE },
        ],
        series: [{}, { stroke, width: 1.5, spanGaps: false, points: { show: (u) => u.data[0].length < 200 } }],
        cursor: {
          drag: { x: true, y: false, setScale: false },
          // The line follows in all plots; what is dragged, in its own alone.
          sync: { key: "drive", scales: ["x", null], filters: { pub: (type) => type === "mousemove" || type === "mouseleave" } },
          bind: { dblclick: () => () => this.go(...this.whole) },
        },
        hooks: {
          drawClear: [(u) => this.bands(u, last)],
          draw: [(u) => this.flagLines(u, name)],
          setCursor: [read],
          setSelect: [
            (u) => {
              const [from, to] = [u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")];
              if (u.select.width < 3) return;
              u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
              this.go(from, to);
            },
          ],
        },
      },
      [lane.series.at_s, lane.series.value],
      place,
    );
  }

  /** Steps as bands under the samples. */
  bands(u, named) {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    this.steps.forEach((step, index) => {
      const [from, to] = [u.valToPos(step.began_s, "x", true), u.valToPos(step.ended_s ?? u.scales.x.max, "x", true)];
      ctx.fillStyle = ink(index % 2 ? "--key" : "--zone");
      ctx.fillRect(from, bbox.top, to - from, bbox.height);
      const left = Math.max(from, bbox.left);
      const room = Math.min(to, bbox.left + bbox.width) - left - 8;
      if (!named || room < 50 * devicePixelRatio) return;
      ctx.fillStyle = ink("--soft");
      ctx.font = `${12 * devicePixelRatio}px system-ui, sans-serif`;
      ctx.fillText(step.name, left + 4, bbox.top + bbox.height - 6 * devicePixelRatio, room);
    });
    ctx.restore();
  }

  /** A line down each plot at each of its own flags, with a pennant unless one stands there already, and a soft one where a group
   * of the others begins. */
  flagLines(u, name) {
    const { ctx, bbox } = u;
    const dot = devicePixelRatio;
    let pennant = -Infinity;
    const line = (flag, own) => {
      const x = u.valToPos(flag.at_s, "x", true);
      ctx.fillStyle = ink(own && flag.is_fault ? "--bad" : own ? "--ink" : "--soft");
      ctx.globalAlpha = own ? 1 : 0.35;
      ctx.fillRect(x - dot / 2, bbox.top, dot, bbox.height);
      ctx.globalAlpha = 1;
      if (!own || (x - pennant < PENNANT * dot && !flag.is_fault)) return;
      pennant = x;
      ctx.beginPath();
      ctx.moveTo(x, bbox.top);
      ctx.lineTo(x + 9 * dot, bbox.top + 5 * dot);
      ctx.lineTo(x, bbox.top + 10 * dot);
      ctx.fill();
    };
    for (const { flags } of this.groups()) {
      const own = flags.filter(({ channels }) => channels.includes(name));
      if (own.length) own.forEach((flag) => line(flag, true));
      else line(flags[0], false);
    }
  }

  /** The flags of the stretch that is shown, those together that are closer than a finger; `left` is where the button begins. */
  groups() {
    const chart = this.lanes[0]?.chart;
    if (!chart) return [];
    const [start, width] = [chart.bbox.left / devicePixelRatio, chart.bbox.width / devicePixelRatio];
    const [from, to] = this.now;
    const room = by("lane").clientWidth - FLAG;
    const groups = [];
    for (const flag of this.flags) {
      if (flag.at_s < from || flag.at_s > to) continue;
      const left = Math.max(0, Math.min(room, start + ((flag.at_s - from) / (to - from)) * width - FLAG / 2));
      const group = groups.at(-1);
      if (group && left - group.left < FLAG) group.flags.push(flag);
      else groups.push({ left, flags: [flag] });
    }
    return groups;
  }

  /** The flags over the plots: a button each, and one for those that are too close together. */
  fly() {
    const buttons = this.groups().map(({ left, flags }) => {
      const [first, last] = [flags[0], flags.at(-1)];
      const one = flags.length === 1;
      const text = one ? `${first.number}` : `${first.number}–${last.number}`;
      const label = one ? `flag ${text}: ${first.text}` : `flags ${text}`;
      const fault = flags.some(({ is_fault }) => is_fault);
      const button = element("button", { type: "button", class: fault ? "fault" : "", text, "aria-label": label, title: label });
      button.style.left = `${left}px`;
      button.onclick = () => (one ? this.choose(first) : this.go(Math.min(...flags.map(({ from_s }) => from_s)), Math.max(...flags.map(({ to_s }) => to_s))));
      return button;
    });
    by("lane").replaceChildren(...buttons);
    by("lane").hidden = this.flags.length === 0;
  }

  /** Shows the samples around a flag, and where it was. */
  choose(flag) {
    for (const item of document.querySelectorAll("[data-flag]")) item.toggleAttribute("data-chosen", Number(item.dataset.flag) === flag.number);
    by("said").textContent = `${flag.number}: ${flag.text}`;
    return this.go(flag.from_s, flag.to_s);
  }

  /** The same flags as text. */
  list() {
    by("h-flags").hidden = this.flags.length === 0;
    const items = this.flags.map((flag) => {
      const text = `${flag.number} · ${clock(flag.at_s, 1)}`;
      const button = element("button", { type: "button", class: flag.is_fault ? "fault" : "", text, "aria-label": `${text}: show its samples` });
      button.onclick = () => {
        by("plots").scrollIntoView();
        this.choose(flag);
      };
      const shown = flag.shown.length > 0 && element("span", { class: "why", text: `the others then: ${flag.shown.join(", ")}` });
      return element("li", { "data-flag": flag.number, class: flag.is_fault ? "fault" : "" }, button, element("span", { text: flag.text }), shown);
    });
    by("flags").replaceChildren(...items);
  }

  /** Where it went, without a map; drawn by the daemon. */
  track(drawn) {
    by("track").hidden = !drawn;
    if (!drawn) return;
    const put = (name, attributes, text) => {
      const node = document.createElementNS("http://www.w3.org/2000/svg", name);
      for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
      if (text !== undefined) node.textContent = text;
      return node;
    };
    const svg = put("svg", { viewBox: drawn.view.join(" "), role: "img", "aria-label": drawn.words });
    svg.append(put("path", { d: drawn.way }), put("circle", { class: "start", cx: drawn.start[0], cy: drawn.start[1], r: 5 }));
    for (const { number, at: [cx, cy], is_fault } of drawn.flags) {
      const own = { "data-flag": number };
      svg.append(put("circle", { ...own, class: is_fault ? "fault" : "", cx, cy, r: 8 }), put("text", { ...own, x: cx, y: cy + 4 }, number));
    }
    const [x, y] = drawn.bar_words_at;
    svg.append(put("path", { d: drawn.bar }), put("text", { class: "words", x, y }, drawn.bar_words));
    by("track").replaceChildren(svg);
  }
}
