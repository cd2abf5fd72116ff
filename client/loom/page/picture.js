// The picture: draws what is looked at, zooms, compares, and says what is under the pointer.
import * as api from './api.js';
import { byId } from './dom.js';
import { bestHeld, fetchLook, heldLook, wish } from './looks.js';
import { emit, find, format, formatKnown, frames, model, noteLost, on, quietPasses, show } from './model.js';

/** @typedef {import('./looks.js').Want} Want @typedef {import('./looks.js').Look} Look */
/** @typedef {{x: number, y: number}} Point */

/** @type {HTMLCanvasElement} */
let canvas;
/** @type {HTMLCanvasElement} */
let overlay;
/** @type {HTMLElement} */
let stage;

/** Screen pixels of CSS for one of the format, and where its origin is. */
const view = { scale: 1, x: 0, y: 0, fitted: true };

/** @type {{look: Look | null, want: Want | null, words: string, fault: string, stop: AbortController | null, since: number}[]} */
const sides = [0, 1, 2].map(() => ({ look: null, want: null, words: '', fault: '', stop: null, since: 0 }));
// What comes within this time is not announced: a page that blinks at every touch is no calm page.
const kPatience = 350;
// Each open page is a viewer of its own: one must not overtake the looks of another.
const kViewers = ['main', 'other', 'tint', 'pixel'].map((name) => `${name}-${Math.random().toString(36).slice(2, 10)}`);

/** Tools that draw on the picture and take its pointer: see hands.js. */
/** @type {{draw?: (context: CanvasRenderingContext2D) => void, down?: (at: Point, event: PointerEvent) => boolean, move?: (at: Point, event: PointerEvent) => void, up?: (at: Point, event: PointerEvent) => void, cursor?: (at: Point, event: PointerEvent) => string}[]} */
const layers = [];

/** @param {typeof layers[0]} layer The newest has the first word. */
export function addLayer(layer) {
  layers.push(layer);
}

/** The size of the format. */
export function size() {
  // Until it is known, what is there is taken for the whole.
  const there = sides[0].look?.bitmap;
  return format() ?? { width: there?.width ?? 1920, height: there?.height ?? 1080 };
}

/** @param {Point} p In pixels of the format. @returns {Point} In CSS pixels of the stage. */
export const toScreen = (p) => ({ x: view.x + p.x * view.scale, y: view.y + p.y * view.scale });
/** @param {Point} p @returns {Point} */
export const toPicture = (p) => ({ x: (p.x - view.x) / view.scale, y: (p.y - view.y) / view.scale });
export const scale = () => view.scale;

// ---- what is wanted -----------------------------------------------------------

/** The size in which pictures for playing are asked for. */
export function smallSide() {
  const { width, height } = size();
  const longest = Math.max(width, height);
  if (longest <= 1200) return 0;
  let side = Math.ceil(longest / 2);
  while (side > kMostSmall) side = Math.ceil(side / 2);
  return side;
}
// Small enough to be played, and that a shot of it is held here.
const kMostSmall = 2048;
// A picture that is larger than this is never asked for as a whole: of 8K one alone takes 127 MiB. From nearby only
// the part that is on the screen is.
const kMostWhole = 4096;
const isLarge = () => Math.max(size().width, size().height) > kMostWhole;
/** Parts begin and end at multiples of this, so that a small move is no other part. */
const kPart = 256;

/** What of the picture the screen shows, as a look is asked for it. */
function nearby() {
  const { width, height } = size();
  const a = toPicture({ x: 0, y: 0 });
  const b = toPicture({ x: stage.clientWidth, y: stage.clientHeight });
  const x = Math.max(Math.floor(a.x / kPart) * kPart, 0);
  const y = Math.max(Math.floor(a.y / kPart) * kPart, 0);
  const w = Math.min(Math.ceil(b.x / kPart) * kPart, width) - x;
  const h = Math.min(Math.ceil(b.y / kPart) * kPart, height) - y;
  if (w <= 0 || h <= 0) return null;
  // As many pixels as the screen can show, and less than twice as many on a side.
  let detail = 1;
  while (detail / 2 >= view.scale * devicePixelRatio) detail /= 2;
  return { crop: `${x},${y},${w},${h}`, longest_side: detail === 1 ? 0 : Math.ceil(Math.max(w, h) * detail) };
}

/** Whether the small picture shows all that the screen can. */
const smallDoes = () => smallSide() !== 0 && view.scale * devicePixelRatio <= smallSide() / Math.max(size().width, size().height) + 1e-6;

/** The sizes worth looking for, best first. */
function sidesWanted() {
  const small = smallSide();
  return small === 0 ? [0] : isLarge() ? [small] : [0, small];
}

/** @param {0 | 1} which @returns {Want | null} */
function wantOf(which, frame = model.frame) {
  const version = which === 0 ? model.version : model.otherVersion;
  const pass = which === 0 ? model.shown : otherName();
  if (pass === '' || !model.stack || model.stack.state === 'none') return null;
  let as = model.as;
  if (which === 1 && pass !== model.shown) as = model.otherAs || (find(pass)?.gives === 'matte' ? 'matte' : find(pass)?.gives === 'opaque' ? 'color' : model.as);
  if (find(pass)?.gives === 'matte' && as === 'color') as = 'matte';
  const needsOver = as === 'background' || as === 'plate';
  /** @type {Want} */
  const want = { pass, frame, as };
  if (needsOver && model.over) want.over = model.over;
  // A background must be named: the first plate that is not the pass's own will do until one is chosen.
  if (as === 'background' && !model.over) want.over = model.stack.plates[model.stack.plates.length > 1 ? model.stack.plates.length - 1 : 0]?.name;
  if (model.stops !== 0) want.stops = model.stops;
  // What is tried and left out is of the stack as it stands.
  if (version !== 0) want.version = version;
  else {
    if (which === 0 && model.trying.length > 0) want.set = model.trying;
    const without = [...model.without, ...quietPasses()];
    if (without.length > 0) want.without = without;
  }
  return want;
}

/** What the picture is compared with: the same pass where only its version is another one. */
export const otherName = () => model.other || (model.version !== model.otherVersion ? model.shown : model.stack?.plates[0]?.name ?? '');

/** @param {Want | null} a @param {Want | null} b */
const sameWant = (a, b) => JSON.stringify(a) === JSON.stringify(b);

export const needsOther = () => model.compare !== 'none';

/** Asks for what should be on the screen. @param {boolean} [fresh] Even where it is held: the plate may be another. */
export function load(fresh = false) {
  loadSide(0, wantOf(0), fresh);
  loadSide(1, needsOther() ? wantOf(1) : null, fresh);
  loadSide(2, model.tint && find(model.tint) ? { pass: model.tint, frame: model.frame, as: 'matte' } : null, fresh);
  draw();
}

/** @param {number} which @param {Want | null} want @param {boolean} fresh @param {boolean} [nearer] The small picture is there. */
function loadSide(which, want, fresh, nearer = false) {
  const side = sides[which];
  if (!fresh && sameWant(side.want, want) && (side.stop !== null || side.fault === '')) return;
  side.stop?.abort();
  side.stop = null;
  side.want = want;
  side.fault = '';
  side.words = '';
  if (want === null) {
    side.look = null;
    return;
  }
  const best = bestHeld(want, sidesWanted());
  if (best !== null) side.look = best;
  if (playing()) return;
  const stop = new AbortController();
  side.stop = stop;
  side.words = best === null ? `${want.pass} at ${want.frame} is being rendered` : '';
  side.since = performance.now();
  setTimeout(draw, kPatience + 10);
  const small = smallSide();
  void (async () => {
    try {
      // First the small picture, then the one that the screen can show.
      const tried = (want.set?.length ?? 0) > 0;
      const first = small !== 0 && !(nearer && best !== null) && (best === null || best.side !== 0);
      if (first) take(side, want, await fetchLook({ ...want, longest_side: small }, stop.signal, kViewers[which]));
      // A picture of a size that is not known is not asked for as a whole: it may be 8K.
      await formatKnown();
      const enough = smallDoes();
      if (!(small !== 0 && tried) && !(first && enough)) {
        const part = isLarge() ? nearby() : { longest_side: 0 };
        if (part !== null) take(side, want, await fetchLook({ ...want, ...part }, stop.signal, kViewers[which]));
      }
      side.words = '';
    } catch (error) {
      if (stop.signal.aborted || side.want !== want) return;
      // 409: a newer wish of this viewer is on its way.
      if (/** @type {any} */ (error).status !== 409) side.fault = error instanceof Error ? error.message : String(error);
      if (!want.version) noteLost(side.fault);
      side.words = '';
    } finally {
      if (side.stop === stop) side.stop = null;
      draw();
      emit('looked');
    }
  })();
}

/** @param {typeof sides[0]} side @param {Want} want @param {Look} look */
function take(side, want, look) {
  if (side.want !== want) return;
  // A part lies on the small picture, which is there when one moves on.
  if (look.crop !== '') look.whole = bestHeld(want, [smallSide()]) ?? (side.look?.whole ?? null);
  side.look = look;
  side.words = '';
  codes = null;
  if (view.fitted) fit();
  draw();
}

// ---- playing ------------------------------------------------------------------

let timer = 0;
let started = { time: 0, index: 0 };
/** @type {number[]} */
let reel = [];
export const playing = () => timer !== 0;

/** Which frames of what is shown are here in the page, ready to be played. */
export function readyFrames() {
  return new Set(frames().filter((frame) => {
    const want = wantOf(0, frame);
    return want !== null && bestHeld(want, sidesWanted()) !== null;
  }));
}

/** @param {number[]} list Frames in the cache of the daemon. @param {number} rate */
export function play(list, rate) {
  if (playing()) {
    stop();
    return;
  }
  reel = list;
  if (reel.length === 0) return;
  prefetch(list);
  started = { time: performance.now(), index: Math.max(0, reel.findIndex((frame) => frame >= model.frame)) };
  let shown = -1;
  const tick = () => {
    timer = requestAnimationFrame(tick);
    const index = started.index + Math.floor(((performance.now() - started.time) / 1000) * rate);
    if (index === shown) return;
    const frame = reel[index % reel.length];
    const want = wantOf(0, frame);
    // A picture that is not here yet is waited for: what is played is what there is, in order.
    if (want === null || bestHeld(want, sidesWanted()) === null) {
      started = { time: performance.now(), index };
      return;
    }
    shown = index;
    show({ frame });
  };
  timer = requestAnimationFrame(tick);
  emit('playing');
}

export function stop() {
  if (!playing()) return;
  cancelAnimationFrame(timer);
  timer = 0;
  sides.forEach((side) => { side.want = null; });
  load();
  emit('playing');
}

/** Asks for the pictures of these frames, from the one that is shown on. @param {number[]} list */
export function prefetch(list) {
  const at = Math.max(0, list.findIndex((frame) => frame >= model.frame));
  const wants = [...list.slice(at), ...list.slice(0, at)].flatMap((frame) => {
    const want = wantOf(0, frame);
    if (want === null || want.set) return [];
    return heldLook({ ...want, longest_side: 0 }) ? [] : [{ ...want, longest_side: smallSide() }];
  });
  wish(wants);
}

// ---- drawing ------------------------------------------------------------------

let due = false;
export function draw() {
  if (due) return;
  due = true;
  requestAnimationFrame(() => {
    due = false;
    paint();
  });
}

/** @param {CanvasRenderingContext2D} context @param {Look} look */
function put(context, look) {
  const [x, y, w, h] = windowOf(look);
  if (look.whole !== null) put(context, look.whole);
  const zoom = (view.scale * w * devicePixelRatio) / look.bitmap.width;
  // Pixels are seen as they are when they are large, and smoothly when they are small.
  context.imageSmoothingEnabled = zoom < 2;
  context.imageSmoothingQuality = zoom < 1 ? 'medium' : 'low';
  const at = toScreen({ x, y });
  context.drawImage(look.bitmap, at.x, at.y, w * view.scale, h * view.scale);
}

/** Where a picture lies: x, y, width, height in pixels of the format. @param {Look} look */
function windowOf(look) {
  const { width, height } = size();
  return look.window ?? [0, 0, width, height];
}

/** @type {{a: Look, b: Look, look: Look} | null} */
let between = null;

/**
 * How two pictures differ, four times as bright: small differences are what one looks for. It is made pixel by pixel
 * before it is scaled, since scaling would add differences of its own.
 * @param {Look} a @param {Look} b @returns {Look}
 */
function difference(a, b) {
  if (between !== null && between.a === a && between.b === b) return between.look;
  const copy = new OffscreenCanvas(a.bitmap.width, a.bitmap.height);
  const context = /** @type {OffscreenCanvasRenderingContext2D} */ (copy.getContext('2d'));
  context.drawImage(a.bitmap, 0, 0);
  context.globalCompositeOperation = 'difference';
  // Each may have pixels beyond the format, or be a part of it.
  const [ax, ay, aw, ah] = windowOf(a);
  const [bx, by, bw, bh] = windowOf(b);
  const [sx, sy] = [copy.width / aw, copy.height / ah];
  context.drawImage(b.bitmap, (bx - ax) * sx, (by - ay) * sy, bw * sx, bh * sy);
  context.globalCompositeOperation = 'lighter';
  for (let i = 0; i < 2; ++i) context.drawImage(copy, 0, 0);
  between = { a, b, look: { ...a, bitmap: copy.transferToImageBitmap() } };
  return between.look;
}

/** @type {{look: Look, veil: HTMLCanvasElement} | null} */
let veiled = null;

/** @param {Look} look A matte, as a veil of one colour. */
function veilOf(look) {
  if (veiled?.look === look) return veiled.veil;
  const veil = document.createElement('canvas');
  veil.width = look.bitmap.width;
  veil.height = look.bitmap.height;
  const draws = /** @type {CanvasRenderingContext2D} */ (veil.getContext('2d'));
  draws.drawImage(look.bitmap, 0, 0);
  const pixels = draws.getImageData(0, 0, veil.width, veil.height);
  const data = pixels.data;
  for (let i = 0; i < data.length; i += 4) {
    data[i + 3] = data[i] >> 1;
    data[i] = 224;
    data[i + 1] = 96;
    data[i + 2] = 208;
  }
  draws.putImageData(pixels, 0, 0);
  veiled = { look, veil };
  return veil;
}

/** @param {CanvasRenderingContext2D} context @param {Look} look */
function putTint(context, look) {
  const [x, y, w, h] = windowOf(look);
  const at = toScreen({ x, y });
  context.drawImage(veilOf(look), at.x, at.y, w * view.scale, h * view.scale);
}

function paint() {
  const ratio = devicePixelRatio;
  const width = stage.clientWidth;
  const height = stage.clientHeight;
  for (const one of [canvas, overlay]) {
    if (one.width !== Math.round(width * ratio) || one.height !== Math.round(height * ratio)) {
      one.width = Math.round(width * ratio);
      one.height = Math.round(height * ratio);
    }
  }
  const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext('2d'));
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.globalCompositeOperation = 'source-over';
  context.clearRect(0, 0, width, height);
  const [main, other, tint] = sides;
  const seen = model.compare === 'flip' && model.flipped ? other : main;
  if (seen.look !== null) put(context, seen.look);
  if (model.compare === 'wipe' && other.look !== null) {
    const x = toScreen({ x: model.wipe * size().width, y: 0 }).x;
    context.save();
    context.beginPath();
    context.rect(x, 0, Math.max(width - x, 0), height);
    context.clip();
    context.clearRect(0, 0, width, height);
    put(context, other.look);
    context.restore();
  } else if (model.compare === 'difference' && other.look !== null && main.look !== null) {
    put(context, difference(main.look, other.look));
  }
  if (tint.look !== null) putTint(context, tint.look);

  const over = /** @type {CanvasRenderingContext2D} */ (overlay.getContext('2d'));
  over.setTransform(ratio, 0, 0, ratio, 0, 0);
  over.clearRect(0, 0, width, height);
  frameLines(over);
  for (const layer of layers) layer.draw?.(over);
  titles(over);
  words();
}

/** @param {CanvasRenderingContext2D} context */
function frameLines(context) {
  const { width, height } = size();
  const a = toScreen({ x: 0, y: 0 });
  context.strokeStyle = 'rgb(255 255 255 / 18%)';
  context.lineWidth = 1;
  context.strokeRect(Math.round(a.x) - 0.5, Math.round(a.y) - 0.5, Math.round(width * view.scale) + 1, Math.round(height * view.scale) + 1);
  const { look } = sides[0];
  if (look !== null && look.window !== null && look.crop === '') {
    // Where the picture has pixels, which is not all of the format, or more.
    const [wx, wy, ww, wh] = look.window;
    const from = toScreen({ x: wx, y: wy });
    context.setLineDash([2, 3]);
    context.strokeStyle = 'rgb(255 255 255 / 55%)';
    context.strokeRect(Math.round(from.x) - 0.5, Math.round(from.y) - 0.5, Math.round(ww * view.scale) + 1, Math.round(wh * view.scale) + 1);
    context.setLineDash([]);
  }
  if (model.compare !== 'wipe') return;
  const x = Math.round(toScreen({ x: model.wipe * width, y: 0 }).x) + 0.5;
  context.strokeStyle = '#000';
  context.lineWidth = 3;
  for (const color of ['#000', '#e8e8e8']) {
    context.strokeStyle = color;
    context.beginPath();
    context.moveTo(x, Math.max(a.y, 0));
    context.lineTo(x, Math.min(a.y + height * view.scale, stage.clientHeight));
    context.stroke();
    context.lineWidth = 1;
  }
}

/** A pass, and of which version. @param {Want} want */
const titleOf = (want) => (model.version === 0 && model.otherVersion === 0 ? want.pass : `${want.pass}, ${want.version ? `version ${want.version}` : 'now'}`);

/** What is what, where two pictures are seen. @param {CanvasRenderingContext2D} context */
function titles(context) {
  const [main, other] = sides;
  if (!needsOther() || main.want === null || other.want === null) {
    if (model.version !== 0 && main.want !== null) title(context, titleOf(main.want), 8, 'left');
    return;
  }
  if (model.compare === 'wipe') {
    const x = Math.min(Math.max(toScreen({ x: model.wipe * size().width, y: 0 }).x, 0), stage.clientWidth);
    title(context, titleOf(main.want), x - 8, 'right');
    title(context, titleOf(other.want), x + 8, 'left');
  } else if (model.compare === 'flip') title(context, titleOf(model.flipped ? other.want : main.want), 8, 'left');
  else title(context, `${titleOf(main.want)} less ${titleOf(other.want)}`, 8, 'left');
}

/** @param {CanvasRenderingContext2D} context @param {string} text @param {number} x @param {'left' | 'right'} side */
function title(context, text, x, side) {
  context.font = '12px system-ui, "DejaVu Sans", sans-serif';
  const width = context.measureText(text).width + 12;
  const left = side === 'left' ? x : x - width;
  context.fillStyle = 'rgb(0 0 0 / 74%)';
  context.fillRect(left, 8, width, 20);
  context.fillStyle = '#eee';
  context.textAlign = 'left';
  context.textBaseline = 'middle';
  context.fillText(text, left + 6, 18.5);
  context.textBaseline = 'alphabetic';
}

/** What is going on, in words over the picture's corner. */
function words() {
  const main = sides[0];
  const box = byId('stage-words');
  let text = '';
  let fault = false;
  const late = performance.now() - main.since > kPatience;
  if (main.fault !== '') {
    text = `${main.want?.pass} at ${main.want?.frame}: ${main.fault}`;
    fault = true;
  } else if (main.words !== '' && late) text = main.words;
  else if (needsOther() && sides[1].fault !== '') {
    text = `${sides[1].want?.pass} at ${sides[1].want?.frame}: ${sides[1].fault}`;
    fault = true;
  } else if (needsOther() && sides[1].words !== '' && performance.now() - sides[1].since > kPatience) text = sides[1].words;
  else if (main.look !== null && main.look.warnings.length > 0) text = main.look.warnings.join(' ');
  if (main.look !== null && main.stop !== null && main.words !== '' && late) text += '; below is what was drawn before';
  if (fault && main.look !== null) text += '\nBelow is what was drawn before.';
  if (box.textContent !== text) box.textContent = text;
  box.classList.toggle('is-fault', fault);
  canvas.classList.toggle('is-old', (main.words !== '' && late) || fault);
  canvas.dataset.shown = main.look !== null && main.stop === null && main.want !== null ? `${main.want.pass} ${main.want.frame} ${main.want.as}${main.want.version ? ` @${main.want.version}` : ''}` : '';
  const other = sides[1];
  canvas.dataset.other = needsOther() && other.look !== null && other.stop === null && other.want !== null ? `${other.want.pass} ${other.want.frame} ${other.want.as} @${other.want.version ?? 0}` : '';
  let label = 'Nothing is looked at.';
  if (main.want !== null) {
    label = `${titleOf(main.want)} at ${main.want.frame}, as ${main.want.as}`;
    if (needsOther()) label += `, ${model.compare} with ${sides[1].want === null ? 'nothing' : titleOf(sides[1].want)}`;
  }
  canvas.setAttribute('aria-label', label);
}

// ---- zoom and pointer -----------------------------------------------------------

export function fit() {
  const { width, height } = size();
  const room = { width: stage.clientWidth - 24, height: stage.clientHeight - 24 };
  view.scale = Math.max(Math.min(room.width / width, room.height / height), 0.01);
  view.x = Math.round((stage.clientWidth - width * view.scale) / 2);
  view.y = Math.round((stage.clientHeight - height * view.scale) / 2);
  view.fitted = true;
  zoomed();
}

/** @param {number} to @param {Point} [at] In CSS pixels of the stage: stays where it is. */
export function zoomTo(to, at = { x: stage.clientWidth / 2, y: stage.clientHeight / 2 }) {
  const p = toPicture(at);
  view.scale = Math.min(Math.max(to, 0.02), 64);
  view.x = at.x - p.x * view.scale;
  view.y = at.y - p.y * view.scale;
  // Whole pixels of the screen, so that one to one is one to one.
  if (view.scale * devicePixelRatio >= 1) {
    view.x = Math.round(view.x * devicePixelRatio) / devicePixelRatio;
    view.y = Math.round(view.y * devicePixelRatio) / devicePixelRatio;
  }
  view.fitted = false;
  zoomed();
}

function zoomed() {
  byId('zoom').textContent = view.fitted ? `fit ${Math.round(view.scale * devicePixelRatio * 100)} %` : `${Math.round(view.scale * devicePixelRatio * 100)} %`;
  clearTimeout(nearTimer);
  if (isLarge()) nearTimer = setTimeout(near, kRest);
  else near();
  draw();
}
let nearTimer = 0;

/** Nearer now than the small picture can show: the full one, or the part that is on the screen, is asked for. */
function near() {
  if (playing() || smallDoes()) return;
  sides.forEach((side, which) => {
    const { look, want } = side;
    if (look === null || want === null || side.stop !== null || side.fault !== '') return;
    const part = isLarge() ? nearby() : null;
    const there = isLarge() ? part === null || look.crop === part.crop && look.side === part.longest_side : look.side === 0;
    if (there) return;
    side.want = null;
    loadSide(which, want, false, true);
  });
}

/** @type {{context: CanvasRenderingContext2D, look: Look} | null} The pixels of what is shown, for reading. */
let codes = null;

/** The code values of a pixel of what is shown. @param {Point} p */
export function codeAt(p) {
  const { look } = sideAt(p);
  if (look === null) return null;
  if (codes === null || codes.look !== look) {
    const copy = new OffscreenCanvas(look.bitmap.width, look.bitmap.height);
    const context = /** @type {any} */ (copy.getContext('2d', { willReadFrequently: true }));
    context.drawImage(look.bitmap, 0, 0);
    codes = { context, look };
  }
  const [x, y, w, h] = windowOf(look);
  const px = Math.floor(((p.x - x) / w) * look.bitmap.width);
  const py = Math.floor(((p.y - y) / h) * look.bitmap.height);
  if (px < 0 || py < 0 || px >= look.bitmap.width || py >= look.bitmap.height) return null;
  const data = codes.context.getImageData(px, py, 1, 1).data;
  return { codes: [data[0], data[1], data[2]], shrunk: look.bitmap.width < w };
}

/** Of sRGB code to linear light, exposure for looking taken back. @param {number} code */
export function linearOf(code) {
  const v = code / 255;
  return (v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4)) / Math.pow(2, model.stops);
}

/** Which of the two pictures is seen at a place. @param {Point} p */
const sideAt = (p) => ((model.compare === 'flip' && model.flipped) || (model.compare === 'wipe' && p.x >= model.wipe * size().width) ? sides[1] : sides[0]);

// A pointer that moves asks for nothing: the daemon reads a pixel of the pass itself, not of a picture of it.
const kRest = 150;
let valueTimer = 0;
/** @type {AbortController | null} */
let valueStop = null;
/** @type {{for: string, values: number[]} | null} What the daemon said of a pixel. */
let exact = null;

/** @param {Want} want @param {number} x @param {number} y */
const pixelKey = (want, x, y) => JSON.stringify([model.stack?.digest, want.pass, want.frame, want.version, want.set, want.without, x, y]);

/** Asks for the values of a pixel when the pointer rests on it. @param {Point} p */
function wantValues(p) {
  clearTimeout(valueTimer);
  valueStop?.abort();
  valueStop = null;
  const side = sideAt(p);
  const { want } = side;
  if (want === null || side.stop !== null || side.fault !== '' || playing() || held !== null || model.compare === 'difference' || model.daemon.state !== 'here') return;
  const x = Math.floor(p.x);
  const y = Math.floor(p.y);
  if (x < 0 || y < 0 || x >= size().width || y >= size().height) return;
  if (exact?.for === pixelKey(want, x, y)) return;
  valueTimer = setTimeout(async () => {
    const stop = new AbortController();
    valueStop = stop;
    try {
      const { pass, frame, version, set, without } = want;
      const reply = await api.get('values', { pass, frame, version, set, without, x, y, viewer: kViewers[3] }, stop.signal);
      exact = { for: pixelKey(want, x, y), values: reply.values };
      if (pointer !== null) tellValues(pointer);
    } catch {
      // The values of the picture are told all the same.
    }
  }, kRest);
}

/** Where the pointer is, if it is over the picture. @type {Point | null} */
let pointer = null;

/** @param {Point | null} p */
function tellValues(p) {
  pointer = p;
  const out = byId('values');
  if (p === null) {
    out.textContent = '';
    return;
  }
  const { width, height } = size();
  const x = Math.floor(p.x);
  const y = Math.floor(p.y);
  const here = codeAt(p);
  if (here === null && (x < 0 || y < 0 || x >= width || y >= height)) {
    out.textContent = '';
    return;
  }
  let text = `x ${x}  y ${y}`;
  if (here !== null) {
    const [r, g, b] = here.codes;
    const grey = r === g && g === b;
    // A matte is shown as grey without a curve: code / 255 is its value.
    const linear = model.as === 'matte' ? [r, g, b].map((v) => v / 255) : here.codes.map(linearOf);
    const number = (/** @type {number} */ v, /** @type {number} */ code) => `${code === 255 ? '≥' : ''}${v.toFixed(3)}`;
    const side = sideAt(p);
    const values = side.want !== null && exact?.for === pixelKey(side.want, x, y) ? exact.values : [];
    // Of the pass itself, whatever it is laid over; before they come, what the picture's codes tell.
    const told = values.length === 1 ? `alpha ${values[0].toFixed(5)}`
      : values.length >= 3 ? `linear ${values.slice(0, 3).map((v) => v.toFixed(5)).join(' ')}${values.length > 3 ? `  alpha ${values[3].toFixed(5)}` : ''}` : '';
    if (told !== '') text += `   code ${grey ? r : `${r} ${g} ${b}`}   ${told}`;
    else text += grey ? `   code ${r}   ${model.as === 'matte' ? 'alpha' : 'linear'} ${number(linear[0], r)}`
      : `   code ${r} ${g} ${b}   linear ${number(linear[0], r)} ${number(linear[1], g)} ${number(linear[2], b)}`;
    if (here.shrunk && told === '') text += '  (of a smaller picture)';
  }
  out.textContent = text;
}

/** @type {{kind: 'pan' | 'wipe' | 'layer', layer?: typeof layers[0], x: number, y: number, from: {x: number, y: number}} | null} */
let held = null;
let spaceHeld = false;

/** @param {MouseEvent} event @returns {Point} */
function inStage(event) {
  const box = stage.getBoundingClientRect();
  return { x: event.clientX - box.left, y: event.clientY - box.top };
}

/** @param {PointerEvent} event */
function down(event) {
  if (event.button > 1) return;
  stage.focus({ preventScroll: true });
  const at = inStage(event);
  const nearWipe = model.compare === 'wipe' && Math.abs(at.x - toScreen({ x: model.wipe * size().width, y: 0 }).x) < 8;
  held = null;
  if (event.button === 0 && !spaceHeld) {
    for (const layer of [...layers].reverse()) {
      if (layer.down?.(toPicture(at), event)) {
        held = { kind: 'layer', layer, x: at.x, y: at.y, from: { x: view.x, y: view.y } };
        break;
      }
    }
  }
  held ??= { kind: nearWipe && event.button === 0 ? 'wipe' : 'pan', x: at.x, y: at.y, from: { x: view.x, y: view.y } };
  stage.setPointerCapture(event.pointerId);
  event.preventDefault();
}

/** @param {PointerEvent} event */
function move(event) {
  const at = inStage(event);
  const p = toPicture(at);
  tellValues(p);
  if (p.x >= 0 && p.y >= 0 && p.x < size().width && p.y < size().height) wantValues(p);
  if (held === null) {
    let cursor = '';
    for (const layer of [...layers].reverse()) cursor = cursor || layer.cursor?.(p, event) || '';
    const nearWipe = model.compare === 'wipe' && Math.abs(at.x - toScreen({ x: model.wipe * size().width, y: 0 }).x) < 8;
    stage.style.cursor = cursor || (nearWipe ? 'ew-resize' : 'grab');
  } else if (held.kind === 'pan') {
    view.x = held.from.x + at.x - held.x;
    view.y = held.from.y + at.y - held.y;
    if (at.x !== held.x || at.y !== held.y) view.fitted = false;
    zoomed();
  } else if (held.kind === 'wipe') {
    model.wipe = Math.min(Math.max(p.x / size().width, 0), 1);
    draw();
  } else held.layer?.move?.(p, event);
}

/** @param {PointerEvent} event */
function up(event) {
  if (held?.kind === 'layer') held.layer?.up?.(toPicture(inStage(event)), event);
  held = null;
}

/** Shows channels and gamma: the same pixels through a filter, at once. */
function filter() {
  const rows = /** @type {Record<string, string>} */ ({
    all: '1 0 0 0 0 0 1 0 0 0 0 0 1 0 0 0 0 0 1 0',
    red: '1 0 0 0 0 1 0 0 0 0 1 0 0 0 0 0 0 0 1 0',
    green: '0 1 0 0 0 0 1 0 0 0 0 1 0 0 0 0 0 0 1 0',
    blue: '0 0 1 0 0 0 0 1 0 0 0 0 1 0 0 0 0 0 1 0',
    luminance: '.2126 .7152 .0722 0 0 .2126 .7152 .0722 0 0 .2126 .7152 .0722 0 0 0 0 0 1 0',
  });
  byId('look-channels').setAttribute('values', rows[model.channel] ?? rows.all);
  for (const one of document.querySelectorAll('#look-filter [exponent]')) one.setAttribute('exponent', String(1 / model.gamma));
  canvas.classList.toggle('is-filtered', model.channel !== 'all' || model.gamma !== 1);
}

export function start() {
  canvas = byId('picture');
  overlay = byId('overlay');
  stage = byId('stage');
  stage.addEventListener('pointerdown', down);
  stage.addEventListener('pointermove', move);
  stage.addEventListener('pointerup', up);
  stage.addEventListener('pointercancel', () => { held = null; });
  stage.addEventListener('pointerleave', () => {
    clearTimeout(valueTimer);
    tellValues(null);
  });
  stage.addEventListener('wheel', (event) => {
    event.preventDefault();
    zoomTo(view.scale * Math.pow(2, -event.deltaY / (event.deltaMode === 0 ? 240 : 8)), inStage(event));
  }, { passive: false });
  document.addEventListener('keydown', (event) => { if (event.key === 'h') spaceHeld = true; });
  document.addEventListener('keyup', (event) => { if (event.key === 'h') spaceHeld = false; });
  new ResizeObserver(() => {
    if (view.fitted) fit();
    else draw();
  }).observe(stage);
  on('look', () => {
    filter();
    load();
  });
  on('stack', ({ changed }) => {
    if (view.fitted) fit();
    // The wish is the same, its pixels are not.
    const touched = sides.some((side) => side.want !== null && changed.has(side.want.pass)) || changed.size > 0;
    load(touched);
  });
  on('format', () => {
    if (view.fitted) fit();
    else draw();
  });
  on('daemon', () => {
    if (model.daemon.state === 'here' && sides[0].fault !== '') load(true);
    draw();
  });
  on('looked', () => {
    if (pointer === null) return;
    tellValues(pointer);
    wantValues(pointer);
  });
  on('redraw', draw);
}
