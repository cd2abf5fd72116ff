// Pictures: asked for, kept, thrown away. The newest wish of a viewer is asked for first and
// ends the older ones; pictures for playing are asked for when nothing else is.
import * as api from './api.js';
import { emit, model, on } from './model.js';

/**
 * @typedef {{pass: string, frame: number, as: string, over?: string, stops?: number, set?: string[], without?: string[], version?: number, longest_side?: number, crop?: string}} Want
 * @typedef {{bitmap: ImageBitmap, tag: string, warnings: string[], window: number[] | null, used: number, side: number, crop: string, whole: Look | null, checked: boolean}} Look
 */

// Decoded pictures take four bytes a pixel: about 40 of full size at 1920x1080.
const kMostBytes = 384 << 20;

/** @type {Map<string, Look>} */
const held = new Map();
let bytes = 0;
let clock = 0;

/** How much the decoded pictures take. */
export const heldBytes = () => bytes;

/** @param {Want} want */
function keyOf(want) {
  return [want.pass, want.frame, want.as, want.over ?? '', want.stops ?? 0, (want.set ?? []).join('&'), (want.without ?? []).join('&'),
    want.longest_side ?? 0, want.crop ?? '', want.version ?? 0].join('\n');
}

/** @param {string} key */
function drop(key) {
  const look = held.get(key);
  if (look === undefined) return;
  held.delete(key);
  bytes -= look.bitmap.width * look.bitmap.height * 4;
  // Not closed: it may be on the screen. The browser frees it.
}

/** @param {Want} want @returns {Look | null} */
export function heldLook(want) {
  const look = held.get(keyOf(want));
  if (look === undefined) return null;
  look.used = ++clock;
  return look;
}

/** The best that is here for a wish, of any size. @param {Want} want @param {number[]} sides Best first. */
export function bestHeld(want, sides) {
  for (const side of sides) {
    const look = heldLook({ ...want, longest_side: side });
    if (look !== null) return look;
  }
  return null;
}

/** @param {Want} want @param {AbortSignal} signal @param {string} [viewer] @returns {Promise<Look>} */
export async function fetchLook(want, signal, viewer) {
  const { bitmap, tag, warnings, window } = await api.look({ ...want, stops: want.stops || undefined, longest_side: want.longest_side || undefined, viewer }, signal);
  const key = keyOf(want);
  const was = held.get(key);
  // The same picture again: what is decoded stays, and nothing is drawn anew.
  if (was !== undefined && tag !== '' && was.tag === tag) {
    was.checked = true;
    return was;
  }
  drop(key);
  const look = { bitmap, tag, warnings, window, used: ++clock, side: want.longest_side ?? 0, crop: want.crop ?? '', whole: null, checked: true };
  // What is tried while a number is pulled is never wanted again.
  if (!want.set?.length) {
    held.set(key, look);
    bytes += bitmap.width * bitmap.height * 4;
    while (bytes > kMostBytes && held.size > 1) {
      let oldest = '';
      let used = Infinity;
      for (const [name, one] of held) if (one.used < used) [oldest, used] = [name, one.used];
      drop(oldest);
    }
    emit('held');
  }
  return look;
}

/** @param {Iterable<string>} names Whose pixels may be others now. */
export function forget(names) {
  const gone = new Set(names);
  for (const key of [...held.keys()]) {
    const parts = key.split('\n');
    // What was submitted stays as it was.
    if (parts.at(-1) !== '0') continue;
    const behind = parts[2] === 'background' || parts[2] === 'plate' ? parts[3] || model.stack?.plates[0]?.name : '';
    if (gone.has(parts[0]) || (behind && gone.has(behind))) drop(key);
  }
  emit('held');
}

on('stack', ({ changed }) => {
  if (changed.size > 0) forget(changed);
});

/** At most two at a time beside what is on the screen: a browser has six connections to one server. */
const kAtOnce = 2;
/** @type {{want: Want, stop: AbortController}[]} */
let underWay = [];
/** @type {Want[]} */
let wished = [];

/**
 * Pictures that will be wanted soon; replaces what was wished before.
 * @param {Want[]} wants
 */
export function wish(wants) {
  const keys = new Set(wants.map(keyOf));
  wished = wants.filter((want) => !held.has(keyOf(want)));
  for (const one of underWay) if (!keys.has(keyOf(one.want))) one.stop.abort();
  pump();
}

function pump() {
  while (underWay.length < kAtOnce && wished.length > 0) {
    const want = /** @type {Want} */ (wished.shift());
    if (underWay.some((one) => keyOf(one.want) === keyOf(want))) continue;
    const one = { want, stop: new AbortController() };
    underWay.push(one);
    fetchLook(want, one.stop.signal).catch((error) => {
      // A neighbour that cannot be rendered says so when it is looked at; what should not happen is noted.
      if (error.status === 500) console.warn(error.message);
    }).finally(() => {
      underWay = underWay.filter((other) => other !== one);
      pump();
    });
  }
}
