// Drawings: the number line of a limit, and the last minute of a channel between its least and greatest values.

const SVG = "http://www.w3.org/2000/svg";
const WIDTH = 360;
const LINE_Y = 18;
const EDGE = 16;

function put(parent, name, attributes, text) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (text !== undefined) node.textContent = text;
  parent.append(node);
  return node;
}

/** 1, 2 or 5 times a power of ten, the nearest that is not smaller. */
export function roundStep(about) {
  const power = 10 ** Math.floor(Math.log10(about));
  return (([1, 2, 5].find((step) => step * power >= about * (1 - 1e-9))) ?? 10) * power;
}

/** The unit in which an axis reads well, and how many base units it is. */
export function axisUnit(largest, unit) {
  if (!["V", "A", "ohm"].includes(unit)) return { name: unit, factor: 1 };
  if (largest < 0.5) return { name: `m${unit}`, factor: 1e-3 };
  if (largest < 1e3) return { name: unit, factor: 1 };
  return largest < 1e6 ? { name: `k${unit}`, factor: 1e3 } : { name: `M${unit}`, factor: 1e6 };
}

/** Draws the limit's zone, and the value as a dot with its expanded uncertainty as a whisker; values in base units, limits null
 * where there is none. */
export function numberLine(place, value, expanded, low, high, unit) {
  place.replaceChildren();
  if ((low ?? null) === null && (high ?? null) === null) return;
  const points = [value, low, high].filter((point) => Number.isFinite(point));
  let first = Math.min(...points);
  let last = Math.max(...points);
  if ((low ?? null) === null && first > 0) first = 0;
  const size = Math.max(Math.abs(first), Math.abs(last));
  const room = 0.2 * Math.max(last - first, 0.05 * size, 1e-9);
  [first, last] = [first - room, last + room];
  const x = (point) => EDGE + ((point - first) / (last - first)) * (WIDTH - 2 * EDGE);
  const axis = axisUnit(size, unit);
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${WIDTH} 46`);
  svg.setAttribute("aria-hidden", "true");
  const hatch = put(put(svg, "defs", {}), "pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  put(hatch, "rect", { class: "tint", width: 6, height: 6 });
  put(hatch, "path", { class: "stroke", d: "M0 0V6" });
  const [from, to] = [Math.max(low ?? first, first), Math.min(high ?? last, last)];
  if (to > from) put(svg, "rect", { class: "zone", x: x(from), y: LINE_Y - 8, width: x(to) - x(from), height: 16 });
  put(svg, "path", { class: "axis", d: `M${EDGE} ${LINE_Y}H${WIDTH - EDGE}` });
  const step = roundStep((last - first) / axis.factor / 6);
  const decimals = Math.max(0, -Math.floor(Math.log10(step)));
  for (let count = Math.ceil(first / axis.factor / step); count * step * axis.factor <= last; count += 1) {
    const at = x(count * step * axis.factor);
    put(svg, "path", { class: "axis", d: `M${at} ${LINE_Y}v6` });
    put(svg, "text", { x: at, y: 40 }, `${(count * step).toFixed(decimals)}`);
  }
  put(svg, "text", { class: "unit", x: WIDTH, y: LINE_Y - 8 }, axis.name);
  if (Number.isFinite(value) && expanded > 0) {
    const [left, right] = [Math.max(x(value - expanded), EDGE), Math.min(x(value + expanded), WIDTH - EDGE)];
    put(svg, "path", { class: "whisker", d: `M${left} ${LINE_Y}H${right}M${left} ${LINE_Y - 6}v12M${right} ${LINE_Y - 6}v12` });
  }
  if (Number.isFinite(value)) put(svg, "circle", { class: "dot", cx: x(value), cy: LINE_Y, r: 7 });
  place.append(svg);
}

/** The last minute of a channel: for each column the least and the greatest value are kept. */
export class Minute {
  constructor(canvas) {
    this.canvas = canvas;
    this.points = [];
  }

  clear() {
    this.points = [];
  }

  /** Takes in the extremes of what came since the last call. */
  push(least, greatest) {
    if (!Number.isFinite(least) || !Number.isFinite(greatest)) return;
    const now = performance.now();
    this.points.push([now, least]);
    if (greatest > least) this.points.push([now, greatest]);
    while (this.points.length && this.points[0][0] < now - 60000) this.points.shift();
  }

  draw(low, high) {
    const { canvas } = this;
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    const context = canvas.getContext("2d");
    if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
      canvas.width = Math.round(width * ratio);
      canvas.height = Math.round(height * ratio);
    }
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, width, height);
    if (this.points.length < 2) return;
    const bounds = [low, high].filter((bound) => Number.isFinite(bound));
    const values = this.points.map((point) => point[1]).concat(bounds);
    const [least, greatest] = [Math.min(...values), Math.max(...values)];
    const room = 0.1 * Math.max(greatest - least, 1e-3 * Math.abs(greatest), 1e-9);
    const y = (value) => height - ((value - least + room) / (greatest - least + 2 * room)) * height;
    const style = getComputedStyle(document.documentElement);
    if (bounds.length) {
      context.fillStyle = style.getPropertyValue("--zone");
      const top = Number.isFinite(high) ? y(high) : 0;
      context.fillRect(0, top, width, (Number.isFinite(low) ? y(low) : height) - top);
    }
    const now = performance.now();
    const columns = new Map();
    for (const [at, value] of this.points) {
      const column = Math.round(width - ((now - at) / 60000) * width);
      const found = columns.get(column);
      columns.set(column, found ? [Math.min(found[0], value), Math.max(found[1], value)] : [value, value]);
    }
    context.strokeStyle = style.getPropertyValue("--ink");
    context.lineWidth = 2;
    context.beginPath();
    for (const [column, [smallest, largest]] of columns) {
      context.lineTo(column, y(smallest));
      context.lineTo(column, y(largest));
    }
    context.stroke();
  }
}
