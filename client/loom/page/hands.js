// Hands on the picture: shapes with their points and handles, boxes to measure in, colours to
// pick. All of it becomes text of the stack.
import * as api from './api.js';
import { byId, fill, h, stateMark } from './dom.js';
import { askName, fieldRows, keepFocus, tools } from './fields.js';
import { edit, find, goTo, lostFrames, model, on, say, sayError, show } from './model.js';
import { freeName } from './passes.js';
import { closes, copyOf, curvesOf, insertKnot, moveHandle, moveKnot, nearestOn, outlinesOf, pathText, segment, toggleCurve, trackOf } from './path.js';
import { addLayer, codeAt, draw, linearOf, scale, size, toPicture, toScreen } from './picture.js';
import { setDrawn } from './strip.js';

/** @typedef {import('./path.js').Outline} Outline @typedef {import('./path.js').Point} Point @typedef {import('./path.js').Knot} Knot */
/** @typedef {import('./types.js').Curves} Curves @typedef {import('./types.js').CurveShape} CurveShape */
/** @typedef {CurveShape & {outlines: Outline[]}} DrawnShape */

/** @type {HTMLElement} */
let host;
/** Points can be moved: the view Draw is open. */
let open = false;
let maskName = '';
let shapeIndex = 0;
let onion = false;
let keyed = false;
/** @type {{outline: number, index: number} | null} */
let chosen = null;
/** @typedef {'move' | 'pen' | 'box' | 'color' | 'point'} Tool */
/** @type {Tool} */
let tool = 'move';
let toolWords = '';
/** @type {Outline | null} */
let pen = null;
/** Where the pen's shape goes: the mask by name; a new one if it is not there. */
let penMask = '';
/** @type {{path: string, from: Point | null, to: Point | null, words: string} | null} */
let box = null;
/** @type {((rgb: number[]) => void) | null} */
let picked = null;
/** A point of the picture by which a mask is moved: where it was clicked first, and how far the mask was moved there. @type {{at: Point, moved: Point} | null} */
let tracked = null;

// ---- curves of masks at frames ------------------------------------------------------

/**
 * What was drawn stays as it is until the loom has said how the stack has it now, so that a hand can go on at once.
 * @typedef {Curves & {drawn: DrawnShape[]}} Known
 * @type {Map<string, {known: Known | null, fresh: boolean, asked: number}>}
 */
const curves = new Map();
/** Counts changes of the stack: an answer to an older one is not taken. */
let round = 1;

/** @param {string} mask @param {number} frame */
function curvesAt(mask, frame) {
  const key = `${mask}\n${frame}`;
  let entry = curves.get(key);
  if (entry === undefined) curves.set(key, (entry = { known: null, fresh: false, asked: 0 }));
  if (!entry.fresh && entry.asked !== round) void ask(entry, key, mask, frame);
  return entry.known;
}

/** @param {{known: Known | null, fresh: boolean, asked: number}} entry @param {string} key @param {string} mask @param {number} frame */
async function ask(entry, key, mask, frame) {
  const asked = round;
  entry.asked = asked;
  try {
    const reply = await api.get('curves', { mask, frame });
    if (asked !== round || curves.get(key) !== entry) return;
    entry.known = { ...reply, drawn: reply.shapes.map((/** @type {CurveShape} */ shape) => ({ ...shape, outlines: outlinesOf(shape.curves) })) };
    entry.fresh = true;
    if (curves.size > 400) curves.delete(/** @type {string} */ (curves.keys().next().value));
    draw();
    if (open && mask === maskName && frame === model.frame) refresh(true);
  } catch (error) {
    if (asked !== round) return;
    curves.delete(key);
    if (open && mask === maskName) sayError(error);
  }
}

/** The last that was known of a mask, so that an outline does not blink from frame to frame. @type {Map<string, Known>} */
const last = new Map();
/** @param {string} mask */
function curvesNow(mask) {
  const now = curvesAt(mask, model.frame);
  if (now !== null) last.set(mask, now);
  return now;
}

const current = () => (maskName === '' ? null : curvesNow(maskName));
const shape = () => current()?.drawn[shapeIndex] ?? null;

/** Masks whose outlines belong over what is shown. */
function masksOver() {
  if (open && maskName !== '') return [maskName];
  if (!model.outlines) return [];
  const found = find(model.shown);
  if (found === null) return [];
  if (found.sort === 'mask') return [model.shown];
  if (found.sort !== 'pass') return [];
  return /** @type {any} */ (found.block).inputs.filter((/** @type {string} */ name) => find(name)?.sort === 'mask');
}

// ---- drawing ------------------------------------------------------------------------

const kLine = '#e060d0';
const kDim = '#9a6a94';
const kPoint = '#ffffff';

/** @param {CanvasRenderingContext2D} context @param {Outline[]} outlines @param {(p: Point) => Point} to */
function trace(context, outlines, to) {
  context.beginPath();
  for (const { knots } of outlines) {
    if (knots.length === 0) continue;
    const start = toScreen(to(knots[0]));
    context.moveTo(start.x, start.y);
    for (let i = 0; i < (knots.length > 1 ? knots.length : 0); ++i) {
      const side = segment(knots, i);
      const [one, two, end] = [side.one, side.two, side.to].map((p) => toScreen(to(p)));
      context.bezierCurveTo(one.x, one.y, two.x, two.y, end.x, end.y);
    }
  }
}

/** Light in dark, so that it is seen on any picture. @param {CanvasRenderingContext2D} context @param {string} color @param {number} width @param {number[]} [dash] */
function stroke(context, color, width, dash = []) {
  context.setLineDash(dash);
  context.lineWidth = width + 2;
  context.strokeStyle = 'rgb(0 0 0 / 55%)';
  context.stroke();
  context.lineWidth = width;
  context.strokeStyle = color;
  context.stroke();
  context.setLineDash([]);
}

/** @param {CanvasRenderingContext2D} context @param {Point} at @param {number} half @param {boolean} round @param {boolean} filled */
function dot(context, at, half, round, filled) {
  context.beginPath();
  if (round) context.arc(at.x, at.y, half, 0, 2 * Math.PI);
  else context.rect(at.x - half, at.y - half, 2 * half, 2 * half);
  context.fillStyle = filled ? kPoint : 'rgb(0 0 0 / 70%)';
  context.fill();
  context.lineWidth = 1.25;
  context.strokeStyle = filled ? '#000' : kPoint;
  context.stroke();
}

/** @param {CanvasRenderingContext2D} context @param {string} text @param {Point} at */
function label(context, text, at) {
  context.font = '11px system-ui, "DejaVu Sans", sans-serif';
  const width = context.measureText(text).width;
  context.fillStyle = 'rgb(0 0 0 / 70%)';
  context.fillRect(at.x, at.y - 12, width + 8, 16);
  context.fillStyle = '#fff';
  context.textAlign = 'left';
  context.fillText(text, at.x + 4, at.y);
}

// All points of a long outline would be a thick line: then only those near the pointer are shown.
const kManyPoints = 400;
let pointer = { x: -1e9, y: -1e9 };

/** @param {CanvasRenderingContext2D} context */
function drawLayer(context) {
  for (const name of masksOver()) {
    const now = curvesNow(name) ?? last.get(name);
    if (!now) continue;
    const { to } = trackOf(now.track);
    if (onion && open) {
      for (const frame of [model.frame - 1, model.frame + 1]) {
        const beside = frame >= (model.stack?.frames.first ?? 0) && frame <= (model.stack?.frames.last ?? 0) ? curvesAt(name, frame) : null;
        for (const one of beside?.drawn ?? []) {
          trace(context, one.outlines, trackOf(/** @type {Curves} */ (beside).track).to);
          stroke(context, kDim, 1, [2, 4]);
        }
      }
    }
    now.drawn.forEach((one, i) => {
      const mine = open && tool !== 'pen' && name === maskName && i === shapeIndex;
      trace(context, one.outlines, to);
      // A shape that subtracts is dashed; one whose place is not known here is dotted.
      stroke(context, mine || !open ? kLine : kDim, mine ? 1.5 : 1, !one.known ? [1, 4] : one.subtract ? [6, 4] : []);
      if (mine && tool === 'move') drawPoints(context, one, to);
    });
  }
  drawBoxes(context);
  if (pen !== null) drawPen(context);
  if (aim !== null) drawAim(context, toScreen(aim));
}

/** Where a tool would be set down by key. @param {CanvasRenderingContext2D} context @param {Point} at */
function drawAim(context, at) {
  context.beginPath();
  for (const [x, y] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
    context.moveTo(at.x + 4 * x, at.y + 4 * y);
    context.lineTo(at.x + 14 * x, at.y + 14 * y);
  }
  stroke(context, kPoint, 1.5);
}

/** @param {CanvasRenderingContext2D} context @param {DrawnShape} one @param {(p: Point) => Point} to */
function drawPoints(context, one, to) {
  const count = one.outlines.reduce((n, { knots }) => n + knots.length, 0);
  one.outlines.forEach(({ knots }, o) => knots.forEach((knot, k) => {
    const at = toScreen(to(knot));
    const mine = chosen?.outline === o && chosen.index === k;
    if (count > kManyPoints && !mine && Math.hypot(at.x - pointer.x, at.y - pointer.y) > 60) return;
    if (mine) {
      for (const handle of [knot.before, knot.after]) {
        if (handle === null) continue;
        const end = toScreen(to(handle));
        context.beginPath();
        context.moveTo(at.x, at.y);
        context.lineTo(end.x, end.y);
        stroke(context, '#fff', 1);
        dot(context, end, 3.5, true, false);
      }
    }
    dot(context, at, mine ? 4.5 : 3.5, knot.before !== null || knot.after !== null, mine);
  }));
  const grip = featherGrip(one, to);
  if (grip !== null) {
    context.beginPath();
    context.moveTo(grip.root.x, grip.root.y);
    context.lineTo(grip.at.x, grip.at.y);
    stroke(context, '#fff', 1, [2, 2]);
    dot(context, grip.at, 3.5, false, false);
    label(context, `feather ${Math.round(one.feather * 100) / 100}`, { x: grip.at.x + 8, y: grip.at.y + 4 });
  }
}

/** The grip that pulls the feather: outward of the topmost point. @param {DrawnShape} one @param {(p: Point) => Point} to */
function featherGrip(one, to) {
  const knots = one.outlines[0]?.knots ?? [];
  if (knots.length < 3) return null;
  let i = 0;
  knots.forEach((knot, k) => { if (knot.y < knots[i].y) i = k; });
  const root = toScreen(to(knots[i]));
  return { root, at: { x: root.x, y: root.y - 16 - one.feather * scale() } };
}

/** @param {CanvasRenderingContext2D} context */
function drawBoxes(context) {
  if (model.outlines) {
    for (const one of boxesOf()) {
      const a = toScreen({ x: one.x, y: one.y });
      const b = toScreen({ x: one.x + one.width, y: one.y + one.height });
      context.beginPath();
      context.rect(a.x, a.y, b.x - a.x, b.y - a.y);
      stroke(context, '#e6cf6a', 1);
      label(context, one.words, { x: a.x, y: a.y - 5 });
    }
  }
  if (box?.from && box.to) {
    const a = toScreen(box.from);
    const b = toScreen(box.to);
    context.beginPath();
    context.rect(a.x, a.y, b.x - a.x, b.y - a.y);
    stroke(context, '#fff', 1.5, [4, 3]);
    const r = boxRect();
    if (r) label(context, `${r.width} × ${r.height}`, { x: Math.min(a.x, b.x), y: Math.min(a.y, b.y) - 5 });
  }
}

/** Boxes that the shown pass measures in. */
function boxesOf() {
  const found = find(model.shown);
  /** @type {{x: number, y: number, width: number, height: number, words: string}[]} */
  const boxes = [];
  if (found?.sort !== 'pass') return boxes;
  for (const step of /** @type {any} */ (found.block).steps) {
    const walk = (/** @type {any} */ value, /** @type {string} */ words) => {
      if (value === null || typeof value !== 'object') return;
      const f = value.fields;
      if (f?.x && f.width && f.height) {
        boxes.push({ x: f.x.value, y: f.y?.value ?? 0, width: f.width.value, height: f.height.value, words: `${step.operator} ${words}` });
        return;
      }
      for (const [name, inner] of Object.entries(f ?? value)) walk(inner, name);
    };
    walk(step.fields, '');
  }
  return boxes;
}

/** @param {CanvasRenderingContext2D} context */
function drawPen(context) {
  if (pen === null || pen.knots.length === 0) return;
  const knots = pen.knots;
  context.beginPath();
  const start = toScreen(knots[0]);
  context.moveTo(start.x, start.y);
  for (let i = 0; i + 1 < knots.length; ++i) {
    const side = segment(knots, i);
    const [one, two, end] = [side.one, side.two, side.to].map((p) => toScreen(p));
    context.bezierCurveTo(one.x, one.y, two.x, two.y, end.x, end.y);
  }
  context.lineTo(pointer.x, pointer.y);
  stroke(context, kLine, 1.5);
  knots.forEach((knot, i) => dot(context, toScreen(knot), i === 0 ? 5 : 3.5, knot.after !== null, i === 0));
}

// ---- the pointer --------------------------------------------------------------------

/** @type {{kind: 'knot' | 'before' | 'after' | 'whole' | 'feather' | 'pen' | 'box', at: Point, outlines?: Outline[], feather?: number, moved: boolean} | null} */
let held = null;

/** @param {Point} a In pixels of the screen. @param {Point} b */
const near = (a, b, reach = 8) => Math.hypot(a.x - b.x, a.y - b.y) <= reach;

/** What of the chosen shape lies under the pointer. @param {Point} p */
function under(p) {
  const now = current();
  const one = shape();
  if (now === null || one === null) return null;
  const { to } = trackOf(now.track);
  const at = toScreen(p);
  if (chosen !== null) {
    const knot = one.outlines[chosen.outline]?.knots[chosen.index];
    for (const side of /** @type {const} */ (['after', 'before'])) {
      const handle = knot?.[side];
      if (handle && near(toScreen(to(handle)), at)) return { kind: side };
    }
  }
  const grip = featherGrip(one, to);
  if (grip !== null && near(grip.at, at)) return { kind: /** @type {const} */ ('feather') };
  let best = null;
  let reach = 9;
  one.outlines.forEach(({ knots }, outline) => knots.forEach((knot, index) => {
    const away = Math.hypot(toScreen(to(knot)).x - at.x, toScreen(to(knot)).y - at.y);
    if (away < reach) {
      reach = away;
      best = { kind: /** @type {const} */ ('knot'), outline, index };
    }
  }));
  return /** @type {{kind: 'knot', outline: number, index: number} | null} */ (best);
}

/** @param {Point} p */
function place(p) {
  const now = current();
  return now === null ? p : trackOf(now.track).from(p);
}

/** @param {Point} p @param {PointerEvent} event */
function down(p, event) {
  if (tool === 'color') {
    pick(p);
    return true;
  }
  if (tool === 'box') {
    if (box) box.from = box.to = p;
    held = { kind: 'box', at: p, moved: false };
    return true;
  }
  if (tool === 'pen') {
    penDown(p);
    return true;
  }
  if (tool === 'point') {
    void pointDown(p);
    return true;
  }
  if (!open || model.stack?.read_only || model.stack?.state !== 'good') return false;
  const one = shape();
  if (one === null) return chooseShapeAt(p);
  const hit = under(p);
  if (hit?.kind === 'knot') {
    if (event.altKey) {
      toggleCurve(one.outlines[hit.outline].knots, hit.index);
      chosen = { outline: hit.outline, index: hit.index };
      void save(one, 'curve or corner');
      return true;
    }
    chosen = { outline: hit.outline, index: hit.index };
  }
  if (hit !== null) {
    held = { kind: hit.kind, at: place(p), outlines: copyOf(one.outlines), feather: one.feather, moved: false };
    draw();
    return true;
  }
  const at = place(p);
  const line = nearestOn(one.outlines, at.x, at.y);
  const onLine = line.outline >= 0 && line.distance * scale() * (current()?.track.scale ?? 1) < 7;
  if (onLine && event.detail >= 2) {
    void insertAt(one, line);
    return true;
  }
  if (onLine || event.shiftKey) {
    held = { kind: 'whole', at, outlines: copyOf(one.outlines), moved: false };
    return true;
  }
  if (chooseShapeAt(p)) return true;
  chosen = null;
  draw();
  return false;
}

/** Another shape of the mask whose outline is here. @param {Point} p */
function chooseShapeAt(p) {
  const now = current();
  if (now === null) return false;
  const at = place(p);
  const index = now.drawn.findIndex((one) => nearestOn(one.outlines, at.x, at.y).distance * scale() < 7);
  if (index < 0 || index === shapeIndex) return false;
  shapeIndex = index;
  chosen = null;
  refresh(true);
  draw();
  return true;
}

/** @param {Point} p @param {PointerEvent} event */
function move(p, event) {
  pointer = toScreen(p);
  if (held === null) return;
  held.moved = true;
  if (held.kind === 'box' && box) {
    box.to = p;
    draw();
    return;
  }
  if (held.kind === 'pen' && pen !== null) {
    const knot = pen.knots[pen.knots.length - 1];
    if (near(toScreen(knot), toScreen(p), 4)) return;
    knot.after = p;
    knot.before = { x: 2 * knot.x - p.x, y: 2 * knot.y - p.y };
    draw();
    return;
  }
  const one = shape();
  if (one === null || held.outlines === undefined) return;
  const at = place(p);
  if (held.kind === 'feather') {
    const by = (held.at.y - at.y);
    one.feather = Math.round(Math.min(Math.max((held.feather ?? 0) + by, -500), 500) * 10) / 10;
  } else if (held.kind === 'whole') {
    one.outlines = copyOf(held.outlines);
    for (const { knots } of one.outlines) for (const knot of knots) moveKnot(knot, knot.x + at.x - held.at.x, knot.y + at.y - held.at.y);
  } else if (chosen !== null) {
    one.outlines = copyOf(held.outlines);
    const knot = one.outlines[chosen.outline].knots[chosen.index];
    if (held.kind === 'knot') moveKnot(knot, knot.x + at.x - held.at.x, knot.y + at.y - held.at.y);
    else moveHandle(knot, /** @type {'before' | 'after'} */ (held.kind), at.x, at.y, event.altKey);
  }
  draw();
}

function up() {
  const was = held;
  held = null;
  if (was === null) return;
  if (was.kind === 'box') {
    endBox();
    return;
  }
  if (was.kind === 'pen') return;
  const one = shape();
  if (one === null || !was.moved) return;
  if (was.kind === 'feather') void setFeather(one);
  else void save(one, was.kind === 'knot' ? 'move a point' : was.kind === 'whole' ? 'move a shape' : 'move a handle');
}

/** @param {Point} p */
function cursor(p) {
  pointer = toScreen(p);
  if (pen !== null || (open && (shape()?.outlines.reduce((n, one) => n + one.knots.length, 0) ?? 0) > kManyPoints)) draw();
  if (tool !== 'move') return 'crosshair';
  if (!open) return '';
  const hit = under(p);
  if (hit?.kind === 'feather') return 'ns-resize';
  if (hit !== null) return 'move';
  const one = shape();
  if (one === null) return '';
  const at = place(p);
  return nearestOn(one.outlines, at.x, at.y).distance * scale() < 7 ? 'pointer' : '';
}

// ---- writing ------------------------------------------------------------------------

/** @param {DrawnShape} one */
const shapeWords = (one) => `shape ${shapeIndex + 1} of ${maskName}${one.key_frames.length > 0 ? ` at ${model.frame}` : ''}`;

/** @param {DrawnShape} one @param {string} what */
async function save(one, what) {
  const frame = one.key_frames.length > 0 || keyed ? { frame: model.frame, key: true } : {};
  const before = current()?.shapes[shapeIndex];
  const was = before ? outlinesOf(before.curves) : [];
  // A side that was only the closing and is a curve now must be written out in every drawing.
  const closing = one.outlines.some((outline, i) => closes(outline) && was[i] !== undefined && !was[i].closing);
  if (closing && one.key_frames.some((key) => key !== model.frame)) {
    await everyDrawing(one, what, (outlines) => outlines.forEach((outline, i) => { outline.closing = outline.closing || closes(one.outlines[i]); }));
    return;
  }
  if (!await edit([{ kind: 'shape', path: one.path, curves: curvesOf(one.outlines), ...frame }], `${what}, ${shapeWords(one)}`)) undraw();
}

/** What was not written must not be seen as if it were. */
function undraw() {
  ++round;
  curves.clear();
  draw();
}

/** Does the same to all drawings of a shape: they must have the same sides. @param {DrawnShape} one @param {string} what @param {(outlines: Outline[]) => void} change */
async function everyDrawing(one, what, change) {
  const mask = maskName;
  try {
    const edits = [];
    for (const frame of one.key_frames) {
      let outlines = one.outlines;
      if (frame !== model.frame) {
        const there = await api.get('curves', { mask, frame });
        outlines = outlinesOf(there.shapes[shapeIndex].curves);
      } else outlines = copyOf(outlines);
      change(outlines);
      edits.push({ kind: 'shape', path: one.path, frame, curves: curvesOf(outlines) });
    }
    if (one.key_frames.length === 0) {
      const outlines = copyOf(one.outlines);
      change(outlines);
      edits.push({ kind: 'shape', path: one.path, curves: curvesOf(outlines) });
    }
    if (!await edit(edits, `${what}, shape ${shapeIndex + 1} of ${mask}`)) undraw();
  } catch (error) {
    sayError(error);
    undraw();
  }
}

/** @param {DrawnShape} one @param {{outline: number, index: number, t: number}} line */
async function insertAt(one, line) {
  chosen = { outline: line.outline, index: line.index + 1 };
  await everyDrawing(one, 'insert a point', (outlines) => insertKnot(outlines[line.outline].knots, line.index, line.t));
}

async function removePoint() {
  const one = shape();
  if (one === null || chosen === null) return;
  const { outline, index } = chosen;
  if (one.outlines[outline].knots.length <= 3) {
    say('A shape keeps at least three points; take the whole shape away instead.');
    return;
  }
  chosen = null;
  await everyDrawing(one, 'remove a point', (outlines) => outlines[outline].knots.splice(index, 1));
}

/** @param {DrawnShape} one */
async function setFeather(one) {
  const field = find(maskName)?.block.fields.shape?.[shapeIndex]?.fields?.feather;
  const animated = Array.isArray(field?.at) && field.at.length > 0;
  await edit([{ kind: 'set', path: `${one.path}.feather`, value: one.feather, ...(animated ? { frame: model.frame } : {}) }], `feather of ${shapeWords(one)}`);
}

// ---- a tool by keyboard ---------------------------------------------------------------

/** Where a tool is set down by key, in pixels of the format; null while the pointer does it. @type {Point | null} */
let aim = null;

/** Arrows move the aim of a tool, I sets it down. @param {KeyboardEvent} event @returns {boolean} */
function aimBy(event) {
  const by = /** @type {Record<string, number[]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1], i: [0, 0] })[event.key];
  // Of a point, arrows step frames; by keyboard its track is a number like any other.
  if (by === undefined || event.ctrlKey || event.metaKey || tool === 'point') return false;
  const stage = byId('stage');
  const from = aim ?? toPicture({ x: stage.clientWidth / 2, y: stage.clientHeight / 2 });
  const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
  const at = { x: from.x + by[0] * step, y: from.y + by[1] * step };
  aim = at;
  pointer = toScreen(at);
  if (box?.from) box.to = at;
  const place = `${at.x.toFixed(1)}, ${at.y.toFixed(1)}`;
  if (event.key !== 'i') say(`At ${place}.`);
  else if (tool === 'color') pick(at);
  else if (tool === 'pen') {
    penDown(at);
    held = null;
    if (pen !== null) say(`Point ${pen.knots.length} at ${place}. Enter closes the shape.`);
  } else if (box?.from) endBox();
  else if (box !== null) {
    box.from = box.to = at;
    say(`The box begins at ${place}; move to its other corner and press I.`);
  }
  return true;
}

// ---- a tracked point ------------------------------------------------------------------

/** @param {Point} p Where the point is at this frame. */
async function pointDown(p) {
  const found = find(maskName);
  const now = current();
  if (found?.sort !== 'mask' || now === null) return;
  // It was there at the first click; since then the mask has been moved as far as the point has.
  if (tracked === null) tracked = { at: p, moved: { x: now.track.x, y: now.track.y } };
  const to = { x: tracked.moved.x + p.x - tracked.at.x, y: tracked.moved.y + p.y - tracked.at.y };
  const key = (/** @type {'x' | 'y'} */ axis) => ({ kind: 'key', path: `${found.block.path}.track.${axis}`, frame: model.frame, value: Number(to[axis].toFixed(2)) });
  if (await edit([key('x'), key('y')], `track of ${maskName} at ${model.frame}`)) say(`${maskName} is moved by ${to.x.toFixed(1)}, ${to.y.toFixed(1)} at ${model.frame}.`);
}

// ---- the pen ------------------------------------------------------------------------

/** @param {Point} p */
function penDown(p) {
  if (pen === null) pen = { knots: [], closing: false };
  if (pen.knots.length > 2 && near(toScreen(pen.knots[0]), toScreen(p), 10)) {
    void endPen();
    return;
  }
  pen.knots.push({ x: p.x, y: p.y, before: null, after: null });
  held = { kind: 'pen', at: p, moved: false };
  draw();
}

async function endPen() {
  const drawn = pen;
  pen = null;
  setTool('move');
  if (drawn === null || drawn.knots.length < 3) {
    if (drawn !== null && drawn.knots.length > 0) say('A shape needs at least three points.');
    return;
  }
  const found = find(penMask);
  const now = found?.sort === 'mask' ? curvesNow(penMask) : null;
  // What is drawn is drawn where it is seen; the mask's track moves it there.
  if (now !== null) {
    const { from } = trackOf(now.track);
    for (const knot of drawn.knots) {
      for (const point of [knot, knot.before, knot.after]) if (point !== null) Object.assign(point, from(point));
    }
  }
  const path = pathText([drawn]);
  const follows = now?.follow ? true : keyed;
  const value = follows ? { at: [{ frame: model.frame, path }] } : { path };
  const edits = found?.sort === 'mask' ? [{ kind: 'insert', path: `${found.block.path}.shape`, value }]
    : [{ kind: 'insert', path: 'mask', value: { name: penMask, shape: [value] } }];
  if (await edit(edits, `draw a shape of ${penMask}`)) {
    chooseMask(penMask, (find(penMask)?.block.fields.shape?.length ?? 1) - 1);
    say(`Drawn: shape ${shapeIndex + 1} of ${penMask}.`);
  } else {
    // The work of a hand is not thrown away: it can be tried again.
    pen = drawn;
    setTool('pen');
  }
}

async function newMask() {
  const name = await askName('Name of the new mask', freeName('mask'));
  if (name === null) return;
  if (find(name) !== null) {
    say(`There is something called ${name} already.`, 'fault');
    return;
  }
  penMask = name;
  pen = null;
  setTool('pen');
}

export function startPen() {
  if (maskName === '') {
    void newMask();
    return;
  }
  penMask = maskName;
  pen = null;
  setTool('pen');
}

/** @param {Tool} to */
function setTool(to) {
  tool = to;
  if (to !== 'pen') pen = null;
  if (to !== 'box') box = null;
  if (to !== 'color') picked = null;
  if (to !== 'point') tracked = null;
  aim = null;
  toolWords = { move: '', pen: `Drawing ${penMask}: click for corners, drag for curves (or aim with arrows and press I); the first point or Enter closes it, Backspace takes the last point back, Esc gives up.`,
    box: box ? `${box.words}: drag a box on the picture, or aim with arrows and press I at two corners. Esc gives up.` : '', color: toolWords,
    point: `Click the same point of the picture at frame after frame: ${maskName} goes with it. Arrows step frames, Esc ends.` }[to];
  const bar = byId('tool-words');
  bar.textContent = toolWords;
  bar.hidden = toolWords === '';
  draw();
  if (open) refresh(true);
}

/** @param {KeyboardEvent} event */
function keydown(event) {
  const done = () => {
    event.preventDefault();
    draw();
  };
  if (event.key === 'Escape' && tool !== 'move') {
    setTool('move');
    return done();
  }
  if (tool !== 'move' && aimBy(event)) return done();
  if (tool === 'pen') {
    if (event.key === 'Enter') {
      void endPen();
      return done();
    }
    if (event.key === 'Backspace') {
      pen?.knots.pop();
      return done();
    }
    return;
  }
  const one = open ? shape() : null;
  if (one === null || model.stack?.read_only) return;
  const knots = () => one.outlines.flatMap((outline, o) => outline.knots.map((_, index) => ({ outline: o, index })));
  if (event.key === 'n' || event.key === 'N') {
    const all = knots();
    const at = chosen === null ? (event.key === 'n' ? -1 : 0) : all.findIndex((k) => k.outline === chosen?.outline && k.index === chosen.index);
    chosen = all[(at + (event.key === 'n' ? 1 : all.length - 1)) % all.length] ?? null;
    const knot = chosen && one.outlines[chosen.outline].knots[chosen.index];
    if (knot) say(`Point ${all.indexOf(/** @type {any} */ (chosen)) + 1} of ${all.length}, at ${knot.x.toFixed(1)}, ${knot.y.toFixed(1)}.`);
    return done();
  }
  if (chosen === null) return;
  const knot = one.outlines[chosen.outline]?.knots[chosen.index];
  if (knot === undefined) return;
  const by = /** @type {Record<string, number[]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] })[event.key];
  if (by !== undefined && !event.ctrlKey && !event.metaKey) {
    const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    moveKnot(knot, knot.x + by[0] * step, knot.y + by[1] * step);
    clearTimeout(nudged);
    nudged = setTimeout(() => void save(one, 'move a point'), 250);
    return done();
  }
  if (event.key === 'Delete' || event.key === 'Backspace') {
    void removePoint();
    return done();
  }
  if (event.key === 'i') {
    void insertAt(one, { outline: chosen.outline, index: chosen.index, t: 0.5 });
    return done();
  }
  if (event.key === 'v') {
    toggleCurve(one.outlines[chosen.outline].knots, chosen.index);
    void save(one, 'curve or corner');
    return done();
  }
  if (event.key === 'Escape') {
    chosen = null;
    return done();
  }
}
let nudged = 0;

// ---- boxes and colours --------------------------------------------------------------

function boxRect() {
  if (!box?.from || !box.to) return null;
  const { width, height } = size();
  const x0 = Math.max(Math.floor(Math.min(box.from.x, box.to.x)), 0);
  const y0 = Math.max(Math.floor(Math.min(box.from.y, box.to.y)), 0);
  const x1 = Math.min(Math.ceil(Math.max(box.from.x, box.to.x)), width);
  const y1 = Math.min(Math.ceil(Math.max(box.from.y, box.to.y)), height);
  return x1 > x0 && y1 > y0 ? { x: x0, y: y0, width: x1 - x0, height: y1 - y0 } : null;
}

function endBox() {
  const rect = boxRect();
  const was = box;
  if (rect === null || was === null) return;
  if (rect.width < 2 || rect.height < 2) {
    say('Drag a box; a single pixel measures nothing.');
    return;
  }
  setTool('move');
  void edit([{ kind: 'set', path: was.path, value: rect }], `box of ${was.words}`);
}

/** @param {Point} p The mean of 5 x 5 pixels, so that grain does not choose the colour. */
function pick(p) {
  let sum = [0, 0, 0];
  let count = 0;
  for (let dy = -2; dy <= 2; ++dy) {
    for (let dx = -2; dx <= 2; ++dx) {
      const here = codeAt({ x: p.x + dx, y: p.y + dy });
      if (here === null) continue;
      sum = sum.map((v, i) => v + linearOf(here.codes[i]));
      ++count;
    }
  }
  if (count === 0) return;
  const done = picked;
  const rgb = sum.map((v) => Number((v / count).toPrecision(4)));
  setTool('move');
  done?.(rgb);
}

// ---- the view -----------------------------------------------------------------------

/** @param {string} name @param {number} [index] */
export function chooseMask(name, index = 0) {
  maskName = name;
  shapeIndex = index;
  chosen = null;
  setDrawn(open ? maskName : '');
  refresh(true);
  draw();
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  if (open && find(model.shown)?.sort === 'mask') maskName = model.shown;
  if (open && find(maskName)?.sort !== 'mask') maskName = masksBeside()[0] ?? model.stack?.masks[0]?.name ?? '';
  if (!open && tool === 'pen') setTool('move');
  setDrawn(open ? maskName : '');
  if (open) refresh(true);
  draw();
}

const masksBeside = () => (find(model.shown)?.sort === 'pass' ? /** @type {any} */ (find(model.shown)?.block).inputs.filter((/** @type {string} */ name) => find(name)?.sort === 'mask') : []);

function build() {
  const stack = model.stack;
  const off = stack?.read_only || stack?.state !== 'good';
  const found = find(maskName);
  const one = shape();
  const now = current();
  const shapes = found?.block.fields.shape ?? [];
  const tools = h('div', { class: 'row' },
    h('button', { disabled: off, onclick: () => void newMask(), class: 'small' }, '+ mask'),
    h('button', { disabled: off || found === null, onclick: startPen, class: 'small', 'aria-pressed': tool === 'pen' }, '+ shape'),
    h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: onion, onchange: (/** @type {any} */ e) => { onion = e.target.checked; draw(); } }), 'frames beside'),
    found ? h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: model.tint === maskName, onchange: (/** @type {any} */ e) => show({ tint: e.target.checked ? maskName : '' }) }), 'veil') : null);
  const choice = h('div', { class: 'field is-set' }, h('span', { class: 'name' }, 'mask'), h('span', { class: 'control' },
    h('select', { 'aria-label': 'Mask that is drawn', onchange: (/** @type {any} */ e) => chooseMask(e.target.value) },
      (stack?.masks ?? []).length === 0 ? h('option', { value: '' }, 'no mask yet') : null,
      (stack?.masks ?? []).map((mask) => h('option', { value: mask.name, selected: mask.name === maskName }, mask.name)))),
  h('span', { class: 'range' }, found ? h('button', { class: 'small', onclick: () => show({ shown: maskName, as: 'matte' }) }, 'look at it') : null));
  const lost = [...lostFrames(maskName)].filter(([, shape]) => shape === shapeIndex + 1).map(([frame]) => frame).sort((a, b) => a - b);
  if (tool === 'pen' && penMask !== maskName) {
    fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Draw')),
      h('p', { class: 'note' }, `The first shape of the new mask ${penMask} is drawn on the picture. It is in the file when it is closed.`));
    return;
  }
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Draw'), tools), choice,
    h('div', { class: 'shape-list', role: 'listbox', 'aria-label': `Shapes of ${maskName}` }, shapes.map((/** @type {any} */ block, /** @type {number} */ i) => {
      const here = now?.drawn[i];
      const keys = here?.key_frames ?? [];
      const words = keys.length === 0 ? 'one drawing for all frames' : `${keys.length} key frames${here?.key ? `, one here` : ''}`;
      return h('div', { class: `shape-row ${i === shapeIndex ? 'is-chosen' : ''}`, role: 'option', 'aria-selected': i === shapeIndex, tabindex: 0,
        onclick: () => { shapeIndex = i; chosen = null; refresh(true); draw(); },
        onkeydown: (/** @type {KeyboardEvent} */ e) => { if (e.key === 'Enter') { shapeIndex = i; chosen = null; refresh(true); draw(); } } },
      h('span', { class: 'pass-name' }, `shape ${i + 1}`), h('span', { class: 'dim' }, `${block.fields.subtract?.value ? 'subtracts; ' : ''}${words}`),
      h('button', { class: 'small', disabled: off, onclick: () => void edit([{ kind: 'reset', path: block.path }], `remove shape ${i + 1} of ${maskName}`) }, 'remove'));
    })),
    one === null ? null : h('section', { class: 'step' },
      h('header', null, h('h3', null, `shape ${shapeIndex + 1}`), h('span', { class: 'row' },
        one.key_frames.length > 0
          ? h('button', { class: 'small', disabled: off, onclick: () => void edit([one.key ? { kind: 'unkey', path: one.path, frame: model.frame } : { kind: 'shape', path: one.path, frame: model.frame, curves: curvesOf(one.outlines), key: true }], `${one.key ? 'take away' : 'set'} the key frame at ${model.frame}`) },
            one.key ? `take key frame ${model.frame} away` : `key frame at ${model.frame}`)
          : h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: keyed, onchange: (/** @type {any} */ e) => { keyed = e.target.checked; } }), `what I draw is a key frame`))),
      lost.length === 0 ? null : h('div', { class: 'lost' }, stateMark('failed', 'what it follows is lost at'),
        h('div', { class: 'key-list' }, lost.slice(0, 60).map((frame) => h('button', { class: frame === model.frame ? 'is-now' : '', title: 'Go there and draw the shape anew', onclick: () => goTo(frame) }, frame))), lost.length > 60 ? `and ${lost.length - 60} more` : null),
      one.known ? null : h('p', { class: 'note' }, `Where the picture carries it at ${model.frame} is seen under "look at it"; the dotted outline is the nearest drawing. Moving a point draws it anew here.`),
      one.key_frames.length > 0 ? h('div', { class: 'key-list' }, one.key_frames.map((frame) => h('button', { class: frame === model.frame ? 'is-now' : '', onclick: () => goTo(frame) }, frame))) : null,
      fieldRows((model.language.blocks['Mask.Shape']?.fields ?? []), shapes[shapeIndex]?.fields ?? {}, one.path, `${maskName} shape ${shapeIndex + 1}`, { skip: ['path', 'at'] })),
    found?.sort === 'mask' ? h('section', { class: 'step' }, h('header', null, h('h3', null, maskName),
      h('button', { class: 'small', disabled: off || now === null, 'aria-pressed': tool === 'point', title: 'Click one point of the picture at several frames: the mask goes with it', onclick: () => setTool(tool === 'point' ? 'move' : 'point') }, 'move by a point')),
      fieldRows(model.language.blocks.Mask?.fields ?? [], found.block.fields, found.block.path, maskName, { skip: ['name', 'shape'] })) : h('p', { class: 'note' }, 'Draw the first mask with "+ mask".'),
    h('p', { class: 'note' }, 'Drag points and handles; drag the outline (or Shift-drag) to move the whole shape; double-click the outline for a new point; Alt-click makes a corner a curve. N takes the next point, arrows move it, I inserts, Delete removes, V makes it a curve.'));
}

let builtFor = '';
/** @param {boolean} [force] */
function refresh(force = false) {
  if (!open) return;
  const key = `${maskName}\n${model.frame}\n${shapeIndex}\n${[...lostFrames(maskName).keys()]}`;
  if (!force && key === builtFor) return;
  builtFor = key;
  keepFocus(host, build);
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  addLayer({ draw: drawLayer, down, move, up, cursor });
  byId('stage').addEventListener('keydown', keydown);
  document.addEventListener('keydown', (event) => {
    // The pen and the tools hear their keys wherever the focus is, except in a field.
    if (tool !== 'move' && !event.defaultPrevented && !(event.target instanceof HTMLInputElement) && !byId('stage').contains(/** @type {Node} */ (event.target))) keydown(event);
  }, true);
  tools.box = (path, words) => {
    box = { path, from: null, to: null, words };
    setTool('box');
  };
  tools.color = (words, done) => {
    toolWords = `${words}. Esc gives up.`;
    setTool('color');
    picked = done;
    if (model.as !== 'color') say('The colour is taken as it is shown; look at the plate as colour for the plate\'s own.');
  };
  on('stack', ({ by }) => {
    ++round;
    if (by === 'disk' || by === 'start') curves.clear();
    else curves.forEach((entry) => { entry.fresh = false; });
    if (find(maskName)?.sort !== 'mask') maskName = model.stack?.masks[0]?.name ?? '';
    shapeIndex = Math.min(shapeIndex, Math.max((find(maskName)?.block.fields.shape?.length ?? 1) - 1, 0));
    refresh(true);
    draw();
  });
  on('lost job', () => refresh());
  on('look', () => {
    refresh();
    draw();
  });
}

