// The report: figures of mattes as curves over the frames, and which frames to look at.
import * as api from './api.js';
import { chart } from './chart.js';
import { fill, h } from './dom.js';
import { emit, find, goTo, model, on, sayError, showPass } from './model.js';

/** @type {HTMLElement} */
let host;
let open = false;
let running = '';
let words = '';

// Figures worth a curve, in the order in which one looks; others that the report has follow.
/** @type {[string, string, string, ((figures: any) => number | null)?][]} */
const kFigures = [
  ['hole_pixels', 'holes', 'px'],
  ['speck_pixels', 'specks', 'px'],
  ['soft_share', 'soft band', '% of what is covered', (f) => (f.covered_pixels > 0 ? (100 * (f.soft_pixels ?? 0)) / f.covered_pixels : null)],
  ['flicker', 'flicker', ''],
  ['jump', 'jump', ''],
  ['spill_pixels', 'spill', 'px'],
  ['edge_spill', 'edge spill', ''],
  ['clipped_pixels', 'clipped', 'px'],
  ['negative_pixels', 'below 0', 'px'],
];
const kNotCurves = new Set(['pixels', 'covered_pixels', 'soft_pixels', 'holes', 'specks', 'largest_hole', 'largest_speck', 'edge_pixels']);

/** The words of a finding. @param {any} finding */
const why = (finding) => finding.why ?? finding.text ?? finding.kind ?? 'look here';

/** @param {any} finding @param {number} frame */
const covers = (finding, frame) => frame >= finding.first && frame <= (finding.last ?? finding.first);

/** Frames of a pass that the report says to look at. @param {string} name @returns {Set<number>} */
export function flaggedFrames(name) {
  const found = new Set();
  for (const pass of model.report?.pass ?? []) {
    if (pass.pass !== name) continue;
    for (const one of pass.finding ?? []) for (let f = one.first; f <= (one.last ?? one.first); ++f) found.add(f);
  }
  return found;
}

async function begin() {
  words = 'The report is being made.';
  build();
  try {
    const chosen = find(model.shown)?.sort === 'pass' && /** @type {HTMLInputElement | null} */ (host.querySelector('#report-shown'))?.checked;
    const reply = await api.post('report', chosen ? { passes: [model.shown] } : {});
    running = reply.id;
    await poll();
  } catch (error) {
    words = error instanceof Error ? error.message : String(error);
    sayError(error);
    build();
  }
}

async function poll() {
  if (running === '') return;
  const reply = await api.get('report', { id: running });
  if (reply.report) model.report = reply.report;
  words = reply.state === 'running' ? `${reply.done} of ${reply.of} frames are measured.` : reply.state === 'failed' ? reply.message : '';
  if (reply.state !== 'running') running = '';
  build();
  emit('held');
}

/** @param {any} pass */
function passBlock(pass) {
  const entries = (pass.frame ?? []).filter((/** @type {any} */ one) => one.figures);
  const frames = entries.map((/** @type {any} */ one) => one.frame);
  const findings = pass.finding ?? [];
  const width = Math.max(host.clientWidth - 24, 260);
  const known = new Set(entries.flatMap((/** @type {any} */ one) => Object.entries(one.figures).filter(([, v]) => typeof v === 'number').map(([k]) => k)));
  const rest = [...known].filter((name) => !kNotCurves.has(name) && !kFigures.some(([figure]) => figure === name)).map((name) => /** @type {[string, string, string]} */ ([name, name.replaceAll('_', ' '), '']));
  const curves = [...kFigures, ...rest].flatMap(([name, title, unit, of]) => {
    const values = entries.map((/** @type {any} */ one) => {
      const v = of ? of(one.figures) : one.figures[name];
      return typeof v === 'number' && Number.isFinite(v) ? v : null;
    });
    if (values.every((/** @type {number | null} */ v) => v === null)) return [];
    const flagged = new Map();
    for (const one of findings) {
      if (!String(one.kind ?? '').toLowerCase().includes(title.split(' ')[0].replace(/s$/, ''))) continue;
      for (const frame of frames) if (covers(one, frame)) flagged.set(frame, why(one));
    }
    return [h('figure', { class: 'curve' }, h('figcaption', null, h('span', null, title), unit ? h('span', { class: 'dim' }, ` ${unit}`) : null, flagged.size > 0 ? h('span', { class: 'flag-words' }, ` ▲ ${flagged.size} flagged`) : null),
      chart({ title, unit, frames, values, flagged, go: (frame) => { showPass(pass.pass); goTo(frame); } }, width, model.frame))];
  });
  return h('section', { class: 'report-pass' }, h('h3', null, pass.pass),
    findings.length === 0 ? h('p', { class: 'dim' }, running !== '' ? 'Which frames stand out is known when all are measured.' : 'No frame stands out.')
      : h('ul', { class: 'findings' }, findings.map((/** @type {any} */ one) => h('li', null, h('button', { class: 'link', onclick: () => { showPass(pass.pass); goTo(one.worst ?? one.first); } },
        h('span', { class: 'flag-words' }, '▲ '), one.last && one.last !== one.first ? `${one.first}-${one.last}` : one.first), ` ${why(one)}`))),
    entries.length === 0 ? null : curves);
}

function build() {
  if (!open) return;
  const passes = model.report?.pass ?? [];
  const scroll = host.scrollTop;
  const checked = /** @type {HTMLInputElement | null} */ (host.querySelector('#report-shown'))?.checked ?? false;
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Report'), h('span', { class: 'row' },
    h('button', { class: 'main small', disabled: running !== '' || model.daemon.state !== 'here' || model.session.mode === 'farm', onclick: () => void begin() }, passes.length > 0 ? 'Measure again' : 'Measure the mattes'),
    h('label', { class: 'check' }, h('input', { type: 'checkbox', id: 'report-shown', checked }), `only ${model.shown}`))),
  words === '' ? null : h('p', { class: 'note' }, words),
  passes.length === 0 && words === '' ? h('p', { class: 'note' }, 'A report measures every frame: holes, specks, the soft band, flicker along the plate\'s motion, spill. Frames that stand out in their own shot are named. What is measured is kept; the next report is quick.') : null,
  passes.map(passBlock));
  host.scrollTop = scroll;
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  let timer = 0;
  on('report', () => {
    const event = model.reportEvent;
    if (!event || event.id !== running) return;
    words = event.state === 'running' ? `${event.done} of ${event.of} frames are measured.` : words;
    clearTimeout(timer);
    timer = setTimeout(() => poll().catch(sayError), event.state === 'running' ? 400 : 0);
  });
  let frame = -1;
  on('look daemon', () => {
    if (model.frame === frame && !open) return;
    frame = model.frame;
    if (open) build();
  });
  new ResizeObserver(() => build()).observe(host);
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  build();
}
