// A curve over frames, as SVG: one line, marks at flagged frames, the frame that is
// shown, and a click that goes to a frame.
import { numberText, svg } from './dom.js';

/**
 * @typedef {object} ChartOptions
 * @property {string} title @property {string} unit
 * @property {number[]} frames @property {(number | null)[]} values
 * @property {Map<number, string>} flagged Why, by frame.
 * @property {(frame: number) => void} go
 */

const kHeight = 72;
const kLeft = 46;
const kRight = 8;
const kTop = 8;
const kBottom = 14;

/** A step of 1, 2 or 5. @param {number} range */
function roundStep(range) {
  const power = Math.pow(10, Math.floor(Math.log10(range / 2)));
  return [5, 2, 1].map((n) => n * power).find((step) => range / step >= 2) ?? power;
}

/** @param {ChartOptions} o @param {number} width @param {number} now The frame that is shown. */
export function chart(o, width, now) {
  const known = o.values.filter((v) => v !== null);
  const most = Math.max(...known, 0);
  const top = most > 0 ? most : 1;
  const first = o.frames[0];
  const last = o.frames[o.frames.length - 1];
  const inner = width - kLeft - kRight;
  /** @param {number} frame */
  const x = (frame) => kLeft + (last === first ? inner / 2 : ((frame - first) / (last - first)) * inner);
  /** @param {number} value */
  const y = (value) => kTop + (1 - value / top) * (kHeight - kTop - kBottom);
  const step = roundStep(top);
  const lines = [];
  for (let v = 0; v <= top * 1.0001; v += step) {
    lines.push(svg('line', { x1: kLeft, x2: width - kRight, y1: y(v), y2: y(v), class: 'chart-grid' }));
    lines.push(svg('text', { x: kLeft - 6, y: y(v) + 3.5, class: 'chart-label', 'text-anchor': 'end' }, numberText(Number(v.toPrecision(3)))));
  }
  let d = '';
  o.values.forEach((v, i) => {
    if (v === null) return;
    d += `${d === '' || o.values[i - 1] === null ? 'M' : 'L'}${x(o.frames[i]).toFixed(1)} ${y(v).toFixed(1)}`;
  });
  /** @type {any[]} */
  const marks = [];
  o.frames.forEach((frame, i) => {
    const value = o.values[i];
    const why = o.flagged.get(frame);
    if (value === null || why === undefined) return;
    const cx = x(frame);
    const cy = y(value);
    // A shape of its own, so that a flag is seen without colour.
    marks.push(svg('path', { class: 'chart-flag', d: `M${cx} ${cy - 5}L${cx + 5} ${cy + 4}L${cx - 5} ${cy + 4}Z` },
      svg('title', {}, `${frame}: ${why}`)));
  });
  const read = svg('text', { x: width - kRight, y: kTop + 2, class: 'chart-read', 'text-anchor': 'end' });
  /** @param {MouseEvent} event */
  const frameAt = (event) => {
    const box = root.getBoundingClientRect();
    const share = ((event.clientX - box.left) * (width / box.width) - kLeft) / inner;
    const wanted = first + share * (last - first);
    return o.frames.reduce((best, f) => (Math.abs(f - wanted) < Math.abs(best - wanted) ? f : best), first);
  };
  const root = svg('svg', {
    viewBox: `0 0 ${width} ${kHeight}`,
    width,
    height: kHeight,
    class: 'chart',
    role: 'img',
    'aria-label': `${o.title}${o.unit ? `, ${o.unit}` : ''}: from ${numberText(Math.min(...known))} to ${numberText(most)} over frames ${first} to ${last}; ${o.flagged.size} flagged`,
    onclick: (/** @type {MouseEvent} */ event) => o.go(frameAt(event)),
    onmousemove: (/** @type {MouseEvent} */ event) => {
      const frame = frameAt(event);
      const value = o.values[o.frames.indexOf(frame)];
      read.textContent = value === null || value === undefined ? `${frame}: not measured` : `${frame}: ${numberText(Number(value.toPrecision(4)))} ${o.unit}`;
    },
    onmouseleave: () => { read.textContent = ''; },
  }, lines,
  svg('text', { x: kLeft, y: kHeight - 2, class: 'chart-label' }, String(first)),
  svg('text', { x: width - kRight, y: kHeight - 2, class: 'chart-label', 'text-anchor': 'end' }, String(last)),
  now >= first && now <= last ? svg('line', { x1: x(now), x2: x(now), y1: kTop - 4, y2: kHeight - kBottom, class: 'chart-now' }) : null,
  svg('path', { d, class: 'chart-line' }),
  o.values.length <= 60 ? o.frames.map((f, i) => (o.values[i] === null ? null : svg('circle', { cx: x(f), cy: y(/** @type {number} */ (o.values[i])), r: 1.8, class: 'chart-dot' }))) : null,
  marks, read);
  return root;
}
