// The frames: which are in the cache, which are here, key frames, flagged ones; stepping and
// playing.
import * as api from './api.js';
import { byId, framesText } from './dom.js';
import { find, frames, goTo, lostFrames, model, on, say } from './model.js';
import { draw as drawPicture, play, playing, prefetch, readyFrames, stop } from './picture.js';
import { flaggedFrames } from './report.js';

/** @type {HTMLCanvasElement} */
let bar;
/** @type {Set<number>} In the daemon's cache, of what is shown. */
let inCache = new Set();
let askedFor = '';
let timer = 0;
/** Frames that `mark` was pressed on; flip goes between them. @type {number[]} */
let marked = [];

export const rate = () => Number(byId('rate').value) || 24;

/** Asks which frames are held, a little later. */
function wantCached(delay = 250) {
  clearTimeout(timer);
  timer = setTimeout(async () => {
    const name = model.shown;
    if (name === '' || model.daemon.state !== 'here' || model.stack?.state !== 'good') return;
    if (find(name)?.sort !== 'pass') {
      // Plates and masks are not passes with a place in the cache of their own: what was looked at is here.
      inCache = new Set(frames());
      askedFor = name;
      draw();
      return;
    }
    try {
      const reply = await api.get('cached', { pass: name });
      if (model.shown !== name) return;
      inCache = new Set();
      for (const range of reply.frames ?? []) if (range.held) for (let f = range.first; f <= range.last; ++f) inCache.add(f);
      askedFor = name;
      draw();
      if (!playing()) neighbours();
    } catch {
      // The daemon says what is wrong where one looks.
      inCache = new Set();
      draw();
    }
  }, delay);
}

/** The frames beside the one that is shown are fetched, so that stepping is at once. */
function neighbours() {
  // Of an earlier version nobody knows what is held: it is not rendered unasked.
  if (model.version !== 0) return;
  prefetch([model.frame, model.frame + 1, model.frame - 1, model.frame + 2].filter((frame) => inCache.has(frame)));
}

/** Frames that can be played: in the cache or here. */
export function playable() {
  const ready = readyFrames();
  return frames().filter((frame) => inCache.has(frame) || ready.has(frame));
}

export function togglePlay() {
  if (playing()) {
    stop();
    return;
  }
  const list = playable();
  if (list.length < 2) {
    say(`Of ${model.shown} no frames are in the cache to be played; submit first, or step through them.`);
    return;
  }
  play(list, rate());
}

export function mark() {
  marked = marked.includes(model.frame) ? marked.filter((one) => one !== model.frame) : [...marked, model.frame].slice(-2);
  say(marked.length === 0 ? 'No frame is marked.' : `Marked: ${framesText([...marked].sort((a, b) => a - b))}.${marked.length === 2 ? ' J goes back and forth between them.' : ''}`);
  draw();
}

export function jump() {
  if (marked.length === 0) {
    say('Mark a frame first, with M.');
    return;
  }
  goTo(marked.find((frame) => frame !== model.frame) ?? marked[0]);
}

/** Key frames of what is shown: of a mask its drawings, of a pass those of its numbers. */
export function keyFrames() {
  /** @type {Set<number>} */
  const found = new Set();
  const walk = (/** @type {any} */ value) => {
    if (Array.isArray(value)) value.forEach(walk);
    else if (value !== null && typeof value === 'object') {
      if (Array.isArray(value.at)) {
        for (const key of value.at) {
          const frame = key.frame ?? key.fields?.frame?.value;
          if (typeof frame === 'number') found.add(frame);
        }
      }
      Object.values(value).forEach(walk);
    }
  };
  const mask = model.stack?.masks.find((one) => one.name === drawn) ?? null;
  if (mask !== null) walk(mask.fields);
  else {
    const block = /** @type {any} */ (find(model.shown)?.block);
    if (block) walk(block.steps?.map((/** @type {any} */ step) => step.fields) ?? block.fields);
  }
  return found;
}
/** The mask that is being drawn, if any. */
let drawn = '';
/** @param {string} name */
export function setDrawn(name) {
  drawn = name;
  draw();
}

/** @param {1 | -1} by */
export function goKey(by) {
  const keys = [...keyFrames()].sort((a, b) => a - b);
  const next = by > 0 ? keys.find((frame) => frame > model.frame) : keys.reverse().find((frame) => frame < model.frame);
  if (next !== undefined) goTo(next);
}

/** @param {string} name */
const color = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

let due = false;
export function draw() {
  if (due) return;
  due = true;
  requestAnimationFrame(() => {
    due = false;
    paint();
  });
}

const kPad = 8;

function paint() {
  const list = frames();
  const ratio = devicePixelRatio;
  const width = bar.clientWidth;
  const height = bar.clientHeight;
  bar.width = Math.round(width * ratio);
  bar.height = Math.round(height * ratio);
  const context = /** @type {CanvasRenderingContext2D} */ (bar.getContext('2d'));
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  if (list.length === 0) return;
  const ready = readyFrames();
  const keys = keyFrames();
  const flagged = flaggedFrames(model.shown);
  const lost = lostFrames(drawn || model.shown);
  const each = (width - 2 * kPad) / list.length;
  const gap = each >= 5 ? 1 : 0;
  const [held, here, none, now, text, key, flag, failed] = ['--held-block', '--text-dim', '--line', '--mark', '--text-dim', '--text', '--flag', '--failed'].map(color);
  context.font = '10px ui-monospace, "DejaVu Sans Mono", monospace';
  list.forEach((frame, i) => {
    const x = kPad + i * each;
    const w = Math.max(each - gap, 0.5);
    // In the cache: a full block. Not in it: a thin line. So it is seen without colour.
    if (inCache.has(frame)) {
      context.fillStyle = held;
      context.fillRect(x, 16, w, 8);
    } else {
      context.fillStyle = none;
      context.fillRect(x, 22, w, 2);
    }
    if (ready.has(frame)) {
      context.fillStyle = here;
      context.fillRect(x, 26, w, 2);
    }
    if (keys.has(frame)) {
      context.fillStyle = key;
      const cx = x + w / 2;
      context.beginPath();
      context.moveTo(cx, 8);
      context.lineTo(cx + 3.5, 11.5);
      context.lineTo(cx, 15);
      context.lineTo(cx - 3.5, 11.5);
      context.fill();
    }
    if (lost.has(frame)) {
      context.strokeStyle = failed;
      context.lineWidth = 1.75;
      const cx = x + w / 2;
      context.beginPath();
      context.moveTo(cx - 3.5, 8);
      context.lineTo(cx + 3.5, 15);
      context.moveTo(cx + 3.5, 8);
      context.lineTo(cx - 3.5, 15);
      context.stroke();
    }
    if (flagged.has(frame)) {
      context.fillStyle = flag;
      const cx = x + w / 2;
      context.beginPath();
      context.moveTo(cx, 0);
      context.lineTo(cx + 4, 7);
      context.lineTo(cx - 4, 7);
      context.fill();
    }
    if (marked.includes(frame)) {
      context.fillStyle = now;
      context.fillRect(x, 29, w, 3);
    }
  });
  const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000, 20000].find((n) => n * each >= 40) ?? 50000;
  context.fillStyle = text;
  context.textAlign = 'center';
  list.forEach((frame, i) => {
    if (frame % step === 0 || i === 0) context.fillText(String(frame), Math.min(Math.max(kPad + (i + 0.5) * each, 16), width - 16), height - 3);
  });
  const x = kPad + (list.indexOf(model.frame) + 0.5) * each;
  context.strokeStyle = now;
  context.lineWidth = 2;
  const half = Math.max(each / 2, 3);
  context.strokeRect(x - half, 13, 2 * half, 17);

  bar.setAttribute('aria-valuemin', String(list[0]));
  bar.setAttribute('aria-valuemax', String(list[list.length - 1]));
  bar.setAttribute('aria-valuenow', String(model.frame));
  bar.setAttribute('aria-valuetext', `${model.frame}${inCache.has(model.frame) ? ', in the cache' : ''}${keys.has(model.frame) ? ', key frame' : ''}${flagged.has(model.frame) ? ', flagged' : ''}${lost.has(model.frame) ? ', the mask is lost' : ''}`);
  const words = byId('strip-words');
  const heldHere = list.filter((frame) => inCache.has(frame)).length;
  words.textContent = find(model.shown)?.sort === 'pass' && askedFor === model.shown ? `${heldHere} of ${list.length} held` : `${list.length} ${list.length === 1 ? 'frame' : 'frames'}`;
  const box = byId('frame');
  if (document.activeElement !== box) box.value = String(model.frame);
}

/** @param {PointerEvent} event */
function frameAt(event) {
  const list = frames();
  const box = bar.getBoundingClientRect();
  const share = (event.clientX - box.left - kPad) / (box.width - 2 * kPad);
  return list[Math.min(Math.max(Math.floor(share * list.length), 0), list.length - 1)];
}

export function start() {
  bar = byId('strip');
  let down = false;
  bar.addEventListener('pointerdown', (event) => {
    down = true;
    stop();
    bar.setPointerCapture(event.pointerId);
    goTo(frameAt(event));
  });
  bar.addEventListener('pointermove', (event) => {
    bar.title = String(frameAt(event) ?? '');
    if (down && frameAt(event) !== model.frame) goTo(frameAt(event));
  });
  for (const kind of ['pointerup', 'pointercancel']) bar.addEventListener(kind, () => { down = false; });
  byId('frame').addEventListener('change', (/** @type {any} */ event) => {
    const frame = Number(event.target.value);
    if (Number.isFinite(frame)) goTo(frame);
    draw();
  });
  byId('play').addEventListener('click', togglePlay);
  byId('back').addEventListener('click', () => goTo(model.frame - 1));
  byId('forward').addEventListener('click', () => goTo(model.frame + 1));
  let shown = '';
  on('look', () => {
    if (model.shown !== shown) {
      shown = model.shown;
      inCache = new Set();
      wantCached(60);
    } else if (!playing() && model.trying.length === 0) neighbours();
    draw();
  });
  on('stack plan', () => {
    wantCached();
    draw();
  });
  on('held report lost job', draw);
  on('looked', () => {
    // What was just rendered for the eye is in the cache now.
    if (!inCache.has(model.frame)) wantCached(600);
    draw();
  });
  on('playing', () => {
    byId('play').textContent = playing() ? '❚❚' : '▶';
    byId('play').setAttribute('aria-label', playing() ? 'Stop' : 'Play the frames that are held');
    drawPicture();
  });
  new ResizeObserver(draw).observe(bar);
}
