// Small helpers for building the page. Nothing here knows what a stack is.

/**
 * Makes an element. Attributes that begin with "on" are listeners; `class`, `title`,
 * `aria-*` and the like are attributes; null and false leave an attribute out (but false is
 * a value of `aria-*`).
 * @param {string} tag
 * @param {Record<string, any> | null} [attributes]
 * @param {...any} children Elements, text, or nested lists of them; null is left out.
 * @returns {any}
 */
export function h(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || (value === false && !name.startsWith('aria-'))) continue;
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else if (name.startsWith('aria-')) element.setAttribute(name, String(value));
    else if (name === 'value') /** @type {any} */ (element).value = value;
    else element.setAttribute(name, value === true ? '' : String(value));
  }
  append(element, children);
  return element;
}

/** @param {Element} parent @param {any} child */
function append(parent, child) {
  if (child === null || child === undefined || child === false) return;
  if (Array.isArray(child)) child.forEach((one) => append(parent, one));
  else parent.append(child instanceof Node ? child : String(child));
}

const kSvg = 'http://www.w3.org/2000/svg';

/**
 * The same for SVG.
 * @param {string} tag @param {Record<string, any>} [attributes] @param {...any} children
 * @returns {any}
 */
export function svg(tag, attributes, ...children) {
  const element = document.createElementNS(kSvg, tag);
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, String(value));
  }
  append(element, children);
  return element;
}

/** @param {Element} element @param {...any} children */
export function fill(element, ...children) {
  element.replaceChildren();
  append(element, children);
}

/** @param {string} id @returns {any} */
export const byId = (id) => document.getElementById(id);

// The shapes that go with the words of a state, so that colour is never alone.
/** @type {Record<string, string>} */
const kShapes = {
  held: 'M2 2H10V10H2Z',
  done: 'M2 2H10V10H2Z',
  rendering: 'M6 1.5A4.5 4.5 0 1 1 6 10.5A4.5 4.5 0 1 1 6 1.5Z M6 1.5V6H10.5A4.5 4.5 0 0 0 6 1.5Z',
  waiting: 'M6 2A4 4 0 1 1 6 10A4 4 0 1 1 6 2Z M6 3.4A2.6 2.6 0 1 0 6 8.6A2.6 2.6 0 1 0 6 3.4Z',
  changed: 'M6 1L11 6L6 11L1 6Z M6 3.2L3.2 6L6 8.8L8.8 6Z',
  failed: 'M6 1L11.4 10.6H0.6Z M5.4 4.4H6.6V7.4H5.4Z M5.4 8.2H6.6V9.4H5.4Z',
  muted: 'M2 5.2H10V6.8H2Z',
  solo: 'M6 1A5 5 0 1 1 6 11A5 5 0 1 1 6 1Z M6 2.2A3.8 3.8 0 1 0 6 9.8A3.8 3.8 0 1 0 6 2.2Z M6 4A2 2 0 1 1 6 8A2 2 0 1 1 6 4Z',
  none: 'M4.6 4.6H7.4V7.4H4.6Z',
  partly: 'M2 2H10V10H2Z M3.4 3.4V8.6H6V3.4Z',
};

/**
 * A state as shape and word.
 * @param {string} state One of the names above. @param {string} [words] @param {boolean} [brief] Only the shape is seen.
 */
export function stateMark(state, words = state, brief = false) {
  return h('span', { class: `state state-${state}`, title: words },
    svg('svg', { viewBox: '0 0 12 12', class: 'shape', 'aria-hidden': 'true' },
      svg('path', { d: kShapes[state] ?? kShapes.none, 'fill-rule': 'evenodd' })),
    h('span', { class: brief ? 'unseen' : 'word' }, words));
}

/** @param {number} bytes */
export function bytesText(bytes) {
  const units = ['B', 'KiB', 'MiB', 'GiB', 'TiB'];
  let unit = 0;
  while (bytes >= 1024 && unit < units.length - 1) {
    bytes /= 1024;
    ++unit;
  }
  return `${unit === 0 || bytes >= 100 ? Math.round(bytes) : bytes.toFixed(1)} ${units[unit]}`;
}

/** @param {number} seconds */
export function secondsText(seconds) {
  if (!(seconds > 0)) return '0 s';
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 60) return `${Math.round(seconds)} s`;
  const minutes = Math.floor(seconds / 60);
  if (minutes < 60) return `${minutes} min ${String(Math.round(seconds % 60)).padStart(2, '0')} s`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, '0')} min`;
}

/** A number as a person would write it. @param {number} value */
export function numberText(value) {
  if (!Number.isFinite(value)) return String(value);
  return String(Number(value.toPrecision(6)));
}

/** Frames as ranges: "1001-1004, 1007". @param {number[]} frames */
export function framesText(frames) {
  /** @type {string[]} */
  const parts = [];
  for (let i = 0; i < frames.length;) {
    let j = i;
    while (j + 1 < frames.length && frames[j + 1] === frames[j] + 1) ++j;
    parts.push(i === j ? `${frames[i]}` : `${frames[i]}-${frames[j]}`);
    i = j + 1;
  }
  return parts.join(', ');
}
