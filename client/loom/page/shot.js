// The shot: passes against frames. What a submission would render, what is held, what a job
// does now; and the submission itself.
import * as api from './api.js';
import { byId, fill, framesText, h, secondsText, stateMark } from './dom.js';
import { fetchStack, find, frames, model, on, passOrder, say, sayError, showPass, goTo, stateOf, wantPlan } from './model.js';
import { draw as drawStrip } from './strip.js';
import * as versions from './versions.js';

/** @type {HTMLElement} */
let host;
/** @type {HTMLCanvasElement} */
let grid;
let open = false;
let names = /** @type {string[]} */ ([]);
/** @type {{name: number, first: number | null, last: number | null} | null} */
let range = null;

const kRow = 18;
const kNames = 150;

/** @param {string} name */
const color = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

const active = () => model.job !== null && (model.job.state === 'running' || model.job.state === 'inspecting');

export async function submit() {
  const box = byId('submit-note');
  const note = box.value.trim();
  if (model.session.mode !== 'stack') {
    say('Only a loom with a stack file submits.', 'fault');
    return;
  }
  try {
    const reply = await api.post('submit', { digest: model.stack?.digest, note });
    box.value = '';
    say(`Submitted as version ${reply.version}, job ${reply.job}.`);
  } catch (error) {
    if (/** @type {any} */ (error).status === 409) await fetchStack('disk');
    sayError(error);
  }
}

export async function cancel() {
  if (!active()) {
    say('No job of this stack is running.');
    return;
  }
  try {
    await api.post('cancel', { job: model.job?.job_id });
  } catch (error) {
    sayError(error);
  }
}

/** What each frame of a pass is: held, to be rendered, or not known. @param {string} name @returns {Map<number, {held: boolean, why: string}>} */
function framesOf(name) {
  /** @type {Map<number, {held: boolean, why: string}>} */
  const found = new Map();
  const plan = model.plan.get(name);
  if (plan === undefined) return found;
  // The plan gives its reasons where something would be rendered; the rest is held.
  for (const frame of frames()) found.set(frame, { held: true, why: '' });
  for (const reason of plan.reason) {
    for (const frame of reason.frame ?? []) {
      // A frame of which anything would be rendered is not held.
      if (found.get(frame)?.held === false) continue;
      found.set(frame, { held: reason.reused, why: reason.text + (reason.pass && reason.pass !== name ? ` (${reason.pass})` : '') });
    }
  }
  return found;
}

function paint() {
  if (!open || part !== 'frames' || grid === undefined) return;
  names = passOrder();
  const list = frames();
  const ratio = devicePixelRatio;
  const scroller = /** @type {HTMLElement} */ (grid.closest('.shot-scroll'));
  const width = scroller.clientWidth;
  const height = names.length * kRow + 4;
  byId('shot-room').style.height = `${height}px`;
  // Only what is seen is painted: a stack may have thousands of passes.
  const top = Math.floor(scroller.scrollTop / kRow);
  const rows = Math.min(Math.ceil(scroller.clientHeight / kRow) + 1, names.length - top);
  grid.style.width = `${width}px`;
  grid.style.height = `${scroller.clientHeight}px`;
  grid.width = Math.round(width * ratio);
  grid.height = Math.round(scroller.clientHeight * ratio);
  const context = /** @type {CanvasRenderingContext2D} */ (grid.getContext('2d'));
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  context.clearRect(0, 0, width, scroller.clientHeight);
  if (list.length === 0) return;
  const [held, todo, text, dim, row, mark, busy, failed] = ['--held-block', '--changed', '--text', '--text-dim', '--panel-high', '--mark', '--busy', '--failed'].map(color);
  const each = (width - kNames - 8) / list.length;
  const gap = each >= 4 ? 1 : 0;
  const shift = scroller.scrollTop - top * kRow;
  for (let i = 0; i < rows; ++i) {
    const name = names[top + i];
    const y = i * kRow - shift;
    const line = model.job?.pass.find((one) => one.pass === name);
    if (name === model.shown) {
      context.fillStyle = row;
      context.fillRect(0, y, width, kRow);
    }
    const cells = framesOf(name);
    const work = [...cells.values()].some((cell) => !cell.held);
    context.fillStyle = work ? todo : name === model.shown ? text : dim;
    context.font = '12px system-ui, "DejaVu Sans", sans-serif';
    context.textBaseline = 'middle';
    context.fillText(work ? `◇ ${name}` : name, 4, y + kRow / 2, kNames - 26);
    const now = stateOf(name);
    if (now.state === 'failed' || (active() && line && line.running > 0)) {
      context.fillStyle = now.state === 'failed' ? failed : busy;
      context.fillText(now.state === 'failed' ? '▲' : '◔', kNames - 18, y + kRow / 2);
    }
    list.forEach((frame, k) => {
      const x = kNames + k * each;
      const w = Math.max(each - gap, 0.5);
      const cell = cells.get(frame);
      // Held: a full block. To be rendered: a frame of a block. Not known: a dot.
      if (cell === undefined) {
        context.fillStyle = color('--line');
        context.fillRect(x + w / 2 - 1, y + kRow / 2 - 1, Math.min(2, w), 2);
      } else if (cell.held) {
        context.fillStyle = held;
        context.fillRect(x, y + 4, w, kRow - 8);
      } else {
        context.strokeStyle = todo;
        context.lineWidth = 1;
        if (w > 3) context.strokeRect(x + 0.5, y + 4.5, w - 1, kRow - 9);
        else {
          context.fillStyle = todo;
          context.fillRect(x, y + kRow - 6, w, 2);
        }
      }
    });
    if (range !== null && names[range.name] === name && range.first !== null && range.last !== null) {
      const a = list.indexOf(Math.min(range.first, range.last));
      const b = list.indexOf(Math.max(range.first, range.last));
      context.strokeStyle = mark;
      context.lineWidth = 1.5;
      context.strokeRect(kNames + a * each - 1, y + 2, (b - a + 1) * each + 1, kRow - 4);
    }
    if (name === model.shown) {
      const x = kNames + list.indexOf(model.frame) * each;
      context.strokeStyle = mark;
      context.lineWidth = 2;
      context.strokeRect(x - 1.5, y + 2, Math.max(each, 4) + 2, kRow - 4);
    }
  }
  grid.setAttribute('aria-label', `${names.length} passes against ${list.length} frames; ${model.shown} at ${model.frame}: ${framesOf(model.shown).get(model.frame)?.held ? 'held' : framesOf(model.shown).get(model.frame)?.why ?? 'not known'}`);
}

/** @param {MouseEvent} event */
function cellAt(event) {
  const scroller = /** @type {HTMLElement} */ (grid.closest('.shot-scroll'));
  const box = grid.getBoundingClientRect();
  const list = frames();
  const index = Math.floor((event.clientY - box.top + scroller.scrollTop) / kRow);
  const share = (event.clientX - box.left - kNames) / (box.width - kNames - 8);
  if (index < 0 || index >= names.length) return null;
  return { index, name: names[index], frame: share < 0 || share > 1 ? null : list[Math.min(Math.floor(share * list.length), list.length - 1)] };
}

function buildJob() {
  const box = byId('shot-state');
  if (box === null) return;
  const job = model.job;
  const plan = [...model.plan.values()];
  const render = plan.reduce((sum, line) => sum + line.render, 0);
  const reuse = plan.reduce((sum, line) => sum + line.reuse, 0);
  const off = model.session.mode !== 'stack' || model.daemon.state !== 'here';
  const faults = model.stack?.faults.length ?? 0;
  byId('submit-here').disabled = off || faults > 0;
  fill(box,
    h('p', null,
      h('span', { class: 'dim' }, faults > 0 ? `The stack has ${faults} ${faults === 1 ? 'fault' : 'faults'}; they stand under Text.`
        : model.plan.size === 0 ? 'What would be rendered is not known yet.' : render === 0 ? `Nothing would be rendered: all ${reuse} tasks are held.` : `${render} tasks would be rendered, ${reuse} reused.`)),
    job === null ? h('p', { class: 'dim' }, 'This stack has not been submitted yet.') : [
      h('p', { class: 'job-line' }, stateMark({ inspecting: 'waiting', running: 'rendering', done: 'done', failed: 'failed', cancelled: 'muted' }[job.state] ?? 'none', job.state === 'inspecting' ? 'reading plates' : job.state),
        h('span', null, [`job ${job.job_id}`, total(job), secondsText(job.seconds), active() && job.seconds_left > 0 ? `about ${secondsText(job.seconds_left)} left` : ''].filter(Boolean).join(', ')),
        active() ? h('button', { class: 'small', onclick: () => void cancel() }, 'cancel') : null),
      active() ? bar(job) : null,
      job.problem.map((text) => h('p', { class: 'fault' }, text)),
      job.warning.slice(0, 8).map((one) => h('p', { class: 'warning' }, `Warning: ${one.pass}${one.frame.length > 0 ? ` at ${framesText(one.frame.slice(0, 20))}` : ''}: ${one.text}`)),
    ],
    part !== 'frames' ? null : h('form', { class: 'row invalidate', onsubmit: (/** @type {Event} */ event) => { event.preventDefault(); void invalidate(); } },
      h('span', { class: 'dim' }, range === null || range.first === null ? `All of ${model.shown}` : `${names[range.name]} ${framesText(spanned())}`),
      h('label', { class: 'check' }, h('input', { type: 'checkbox', id: 'with-dependents' }), 'and its dependents'),
      h('button', { class: 'small', disabled: off || find(model.shown)?.sort !== 'pass', title: 'Renders it again, whatever the cache holds' }, 'render again'),
      range !== null ? h('button', { class: 'small', type: 'button', onclick: () => { range = null; buildJob(); paint(); } }, 'all frames') : null));
}

function spanned() {
  if (range === null || range.first === null || range.last === null) return [];
  const a = Math.min(range.first, range.last);
  const b = Math.max(range.first, range.last);
  return Array.from({ length: b - a + 1 }, (_, i) => a + i);
}

async function invalidate() {
  const list = spanned();
  const pass = range === null ? model.shown : names[range.name];
  try {
    await api.post('invalidate', { pass, dependents: byId('with-dependents').checked, ...(list.length > 0 ? { first: list[0], last: list[list.length - 1] } : {}) });
    say(`${pass}${list.length > 0 ? ` ${framesText(list)}` : ''} will be rendered again by the next submission or look.`);
    wantPlan(0);
  } catch (error) {
    sayError(error);
  }
}

/** @param {import('./types.js').Job} job */
function total(job) {
  const sum = (/** @type {'total' | 'rendered' | 'reused'} */ name) => job.pass.reduce((n, line) => n + line[name], 0);
  return job.pass.length === 0 ? '' : `${sum('rendered') + sum('reused')} of ${sum('total')} tasks, ${sum('rendered')} rendered, ${sum('reused')} reused`;
}

/** @param {import('./types.js').Job} job */
export function bar(job) {
  const all = job.pass.reduce((n, line) => n + line.total, 0);
  const done = job.pass.reduce((n, line) => n + line.rendered + line.reused, 0);
  return h('progress', { max: Math.max(all, 1), value: done, 'aria-label': `Job ${job.job_id}` });
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  grid = h('canvas', { class: 'shot-grid', role: 'img', tabindex: 0 });
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Shot'),
    h('span', { class: 'segments', role: 'radiogroup', 'aria-label': 'Part of the shot' }, /** @type {const} */ (['frames', 'versions']).map((one) =>
      h('button', { role: 'radio', id: `shot-part-${one}`, 'aria-checked': one === part, onclick: () => setPart(one) }, one))),
    h('span', { class: 'legend', id: 'shot-legend' }, stateMark('held', 'held'), stateMark('changed', 'would be rendered'))),
  h('div', { id: 'shot-job' },
    h('form', { class: 'submit-row', onsubmit: (/** @type {Event} */ event) => { event.preventDefault(); void submit(); } },
      h('input', { type: 'text', class: 'text', id: 'submit-note', maxlength: 1000, placeholder: 'note for this version', 'aria-label': 'Note for this version', autocomplete: 'off' }),
      h('button', { class: 'main', id: 'submit-here' }, 'Submit')),
    h('div', { id: 'shot-state' })),
  h('div', { class: 'shot-scroll' }, h('div', { id: 'shot-room' }, grid)), h('p', { class: 'note', id: 'shot-why' }),
  h('div', { id: 'versions', hidden: true }));
  versions.start(byId('versions'));
  const scroller = /** @type {HTMLElement} */ (grid.closest('.shot-scroll'));
  scroller.addEventListener('scroll', () => requestAnimationFrame(paint));
  new ResizeObserver(paint).observe(scroller);
  let down = false;
  grid.addEventListener('pointerdown', (event) => {
    const cell = cellAt(event);
    if (cell === null) return;
    down = true;
    grid.setPointerCapture(event.pointerId);
    range = event.shiftKey && cell.frame !== null ? { name: cell.index, first: cell.frame, last: cell.frame } : null;
    showPass(cell.name);
    if (cell.frame !== null) goTo(cell.frame);
    buildJob();
  });
  grid.addEventListener('pointermove', (event) => {
    const cell = cellAt(event);
    const why = byId('shot-why');
    if (cell === null || cell.frame === null) why.textContent = '';
    else {
      const is = framesOf(cell.name).get(cell.frame);
      why.textContent = `${cell.name} at ${cell.frame}: ${is === undefined ? 'not known' : is.held ? 'held' : is.why || 'would be rendered'}`;
    }
    if (down && range !== null && cell?.frame) {
      range.last = cell.frame;
      paint();
      buildJob();
    }
  });
  grid.addEventListener('pointerup', () => { down = false; });
  grid.addEventListener('keydown', (event) => {
    const by = /** @type {Record<string, number[]>} */ ({ ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [-1, 0], ArrowDown: [1, 0] })[event.key];
    if (by === undefined) return;
    event.preventDefault();
    const index = names.indexOf(model.shown);
    if (by[0] !== 0) {
      const next = names[Math.min(Math.max(index + by[0], 0), names.length - 1)];
      if (next) showPass(next);
      const y = names.indexOf(next) * kRow;
      if (y < scroller.scrollTop) scroller.scrollTop = y;
      if (y + kRow > scroller.scrollTop + scroller.clientHeight) scroller.scrollTop = y + kRow - scroller.clientHeight;
    } else goTo(model.frame + by[1]);
  });
  on('stack plan job look daemon faults theme', () => {
    if (!open) return;
    buildJob();
    paint();
  });
  on('job', drawStrip);
}

/** @type {'frames' | 'versions'} What of the shot is shown below the job. */
let part = 'frames';

/** @param {'frames' | 'versions'} to */
export function setPart(to) {
  part = to;
  for (const one of ['frames', 'versions']) byId(`shot-part-${one}`).setAttribute('aria-checked', String(one === part));
  for (const one of [/** @type {HTMLElement} */ (grid.closest('.shot-scroll')), byId('shot-why'), byId('shot-legend')]) one.hidden = part !== 'frames';
  byId('versions').hidden = part !== 'versions';
  setOpen(open);
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  versions.setOpen(open && part === 'versions');
  if (!open) return;
  wantPlan(0);
  buildJob();
  if (part !== 'frames') return;
  paint();
  // What is shown is seen in the grid, too.
  const scroller = /** @type {HTMLElement} */ (grid.closest('.shot-scroll'));
  scroller.scrollTop = Math.max(names.indexOf(model.shown) * kRow - scroller.clientHeight / 2, 0);
  paint();
}
