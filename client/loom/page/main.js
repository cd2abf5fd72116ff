// The page: starts everything, and ties the views, the bars and the keys together.
import * as api from './api.js';
import { saidBefore } from './begin.js';
import * as deliver from './deliver.js';
import { byId, fill, h, secondsText, stateMark } from './dom.js';
import * as farm from './farm.js';
import { nameSelect } from './fields.js';
import * as hands from './hands.js';
import { bind, listen as listenKeys, showHelp } from './keys.js';
import { emit, fetchStack, find, frames, goTo, hear, loomIs, model, on, say, sayError, show, step, wantPlan } from './model.js';
import { numberField } from './number.js';
import * as passes from './passes.js';
import * as picture from './picture.js';
import * as report from './report.js';
import * as shot from './shot.js';
import * as strip from './strip.js';
import * as text from './text.js';
import * as versions from './versions.js';

const kViews = [
  { id: 'passes', words: 'Passes', start: passes.start, open: passes.setOpen },
  { id: 'draw', words: 'Draw', start: hands.start, open: hands.setOpen },
  { id: 'shot', words: 'Shot', start: shot.start, open: shot.setOpen },
  { id: 'report', words: 'Report', start: report.start, open: report.setOpen },
  { id: 'farm', words: 'Farm', start: farm.start, open: farm.setOpen },
  { id: 'fetch', words: 'Fetch', start: deliver.start, open: deliver.setOpen },
  { id: 'text', words: 'Text', start: text.start, open: text.setOpen },
];
let view = '';
/** The view before the picture was alone. */
let before = 'passes';

/** @param {string} id A view, or "picture": nothing beside the picture. */
function go(id) {
  if (model.session.mode === 'farm' && id !== 'farm') return;
  if (id === view) id = id === 'picture' ? before : view;
  if (id === view) return;
  if (view !== 'picture' && view !== '') before = view;
  view = id;
  byId('main').classList.toggle('is-alone', view === 'picture');
  for (const one of kViews) {
    const here = one.id === view;
    byId(`tab-${one.id}`).setAttribute('aria-selected', String(here));
    byId(`tab-${one.id}`).tabIndex = here ? 0 : -1;
    byId(`view-${one.id}`).hidden = !here;
    one.open(here);
  }
  byId('tab-picture').setAttribute('aria-selected', String(view === 'picture'));
  remember();
}

function buildTabs() {
  const tabs = byId('tabs');
  const panel = byId('panel');
  fill(tabs, h('button', { role: 'tab', id: 'tab-picture', 'aria-selected': 'false', title: 'The picture alone (P)', onclick: () => go('picture') }, 'Picture'),
    kViews.map((one, i) => h('button', { role: 'tab', id: `tab-${one.id}`, 'aria-controls': `view-${one.id}`, title: `${one.words} (${i + 1})`, onclick: () => go(one.id) }, one.words)));
  tabs.addEventListener('keydown', (/** @type {KeyboardEvent} */ event) => {
    const by = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    const all = ['picture', ...kViews.map((one) => one.id)];
    const next = all[(all.indexOf(view) + by + all.length) % all.length];
    go(next);
    byId(`tab-${next}`).focus();
  });
  fill(panel, kViews.map((one) => h('div', { id: `view-${one.id}`, class: `view view-${one.id}`, role: 'tabpanel', 'aria-labelledby': `tab-${one.id}`, hidden: true })));
  for (const one of kViews) one.start(byId(`view-${one.id}`));
}

// ---- how it is looked at -----------------------------------------------------------

const kAs = [['color', 'colour', 'c'], ['matte', 'matte', 'a'], ['black', 'black', 'k'], ['grey', 'grey', 'g'], ['checker', 'checker', 'x'], ['plate', 'on plate', 'o'], ['background', 'on back', 'b']];
const kCompare = /** @type {[typeof model.compare, string][]} */ ([['none', 'alone'], ['wipe', 'wipe'], ['flip', 'flip'], ['difference', 'difference']]);

/** @param {typeof model.compare} how @param {boolean} flipped */
function compare(how, flipped) {
  // For choosing one.
  if (how !== 'none' && model.compare === 'none') versions.wantVersions();
  // Alone again is what is in the editor.
  show({ compare: how, flipped, ...(how === 'none' ? { version: 0, otherVersion: 0 } : {}) });
}

let barFor = '';
function buildBar() {
  const key = JSON.stringify([model.shown, model.as, model.over, model.stops, model.gamma, model.channel, model.compare, model.other, model.version, model.otherVersion, model.solo, model.leftOut, model.versions.length, model.versions[0]?.number, model.flipped, model.outlines, model.stack?.digest]);
  if (key === barFor) return;
  barFor = key;
  const bar = byId('look-bar');
  const active = bar.contains(document.activeElement) ? document.activeElement?.getAttribute('aria-label') : null;
  const matte = find(model.shown)?.gives === 'matte';
  const choice = (/** @type {string} */ words, /** @type {string} */ value, /** @type {string[][]} */ options, /** @type {(value: any) => void} */ change) =>
    h('select', { class: 'short', 'aria-label': words, title: words, onchange: (/** @type {any} */ event) => change(event.target.value) }, options.map(([v, t]) => h('option', { value: v, selected: v === value }, t)));
  fill(bar,
    h('span', { class: 'row' }, nameSelect(undefined, model.shown, 'What is shown', (name) => show({ shown: name })),
      model.version === 0 ? null : h('button', { class: 'small', 'aria-pressed': true, title: 'Back to what is in the editor', onclick: () => show({ version: 0 }) }, `version ${model.version}`),
      model.solo === '' ? null : h('button', { class: 'small', 'aria-pressed': true, title: 'All passes have an effect again (s)', onclick: () => show({ solo: '' }) }, `solo ${model.solo}`),
      model.solo !== '' || model.leftOut.length === 0 ? null : h('button', { class: 'small', 'aria-pressed': true, title: `Left out: ${model.leftOut.join(', ')}. A click takes all in again.`, onclick: () => show({ leftOut: [] }) }, `${model.leftOut.length} left out`)),
    h('span', { class: 'segments', role: 'radiogroup', 'aria-label': 'Shown as' }, kAs.map(([id, words, k]) => {
      const off = matte && (id === 'color');
      return h('button', { role: 'radio', 'aria-checked': model.as === id, 'aria-label': `as ${words}`, disabled: off, title: `As ${words} (${k})`, onclick: () => show({ as: id }) }, words);
    })),
    model.as === 'background' || model.as === 'plate' ? h('label', { class: 'dim' }, 'over ', nameSelect(['opaque', 'straight', 'premultiplied'], model.over, 'What is behind', (name) => show({ over: name }), { none: true })) : null,
    choice('Channels', model.channel, [['all', 'RGB'], ['red', 'red'], ['green', 'green'], ['blue', 'blue'], ['luminance', 'luminance']], (v) => show({ channel: v })),
    h('label', { class: 'dim', title: 'Exposure for looking, in stops (+ and −)' }, 'stops ', numberField({ label: 'Exposure for looking, in stops', value: model.stops, min: -12, max: 12, fallback: 0, preview: (v) => show({ stops: v }), commit: (v) => show({ stops: v }) })),
    h('label', { class: 'dim', title: 'Gamma for looking' }, 'gamma ', numberField({ label: 'Gamma for looking', value: model.gamma, min: 0.1, max: 8, fallback: 1, preview: (v) => { model.gamma = v; emit('look'); }, commit: (v) => show({ gamma: v }) })),
    model.stops !== 0 || model.gamma !== 1 || model.channel !== 'all' ? h('button', { class: 'small', title: 'Exposure, gamma and channels as they were', onclick: () => show({ stops: 0, gamma: 1, channel: 'all' }) }, 'reset') : null,
    h('span', { class: 'row' }, choice('Compare', model.compare, kCompare, (v) => compare(v, false)),
      model.compare === 'none' ? null : [h('label', { class: 'dim' }, 'with ', nameSelect(undefined, picture.otherName(), 'Compare with', (name) => show({ other: name }))),
        model.versions.length === 0 ? null : choice('Of which version', String(model.otherVersion), [['0', 'now'], ...model.versions.map((one) => [String(one.number), versions.optionWords(one)])], (v) => show({ otherVersion: Number(v), other: model.other === model.shown ? '' : model.other }))],
      model.compare === 'flip' ? h('button', { class: 'small', 'aria-pressed': model.flipped, onclick: () => show({ flipped: !model.flipped }) }, model.flipped ? 'the other' : 'this one') : null));
  byId('outlines').checked = model.outlines;
  if (active) /** @type {HTMLElement | null} */ (bar.querySelector(`[aria-label="${CSS.escape(active)}"]`))?.focus({ preventScroll: true });
}

/** A bar that is pulled at must not be made anew under the hand. */
function barSoon() {
  if (document.querySelector('#look-bar .pulled')) return;
  buildBar();
}

// ---- the top ------------------------------------------------------------------------

function top() {
  const stack = model.stack;
  document.title = stack?.name ? `${stack.name} · loom` : 'loom';
  byId('stack-name').textContent = stack?.name || model.session.path.replace(/^.*\//, '') || 'farm';
  byId('stack-name').title = model.session.path;
  let words = '';
  if (model.waiting > 0 && !model.loomHere) words = `${model.waiting} ${model.waiting === 1 ? 'change waits' : 'changes wait'} to be written`;
  else if (model.session.mode === 'job') words = `job ${model.session.job}, to be looked at only`;
  else if (stack?.state === 'unreadable') words = 'the file cannot be read';
  else if (stack !== null && stack.faults.length > 0) words = `▲ ${stack.faults.length} ${stack.faults.length === 1 ? 'fault' : 'faults'}`;
  else if (stack?.read_only) words = 'read-only';
  else if (model.waiting > 0) words = 'writing';
  else if (stack !== null && stack.state === 'good') words = 'written';
  const state = byId('stack-state');
  if (state.textContent !== words) state.textContent = words;
  state.classList.toggle('is-fault', words.startsWith('▲') || stack?.state === 'unreadable');
  byId('undo').disabled = !stack?.undo || stack.read_only;
  byId('undo').title = stack?.undo ? `Undo: ${stack.undo} (Ctrl+Z)` : 'Nothing to undo';
  byId('redo').disabled = !stack?.redo || stack.read_only;
  byId('redo').title = stack?.redo ? `Redo: ${stack.redo} (Ctrl+Shift+Z)` : 'Nothing to redo';
  byId('submit').disabled = model.session.mode !== 'stack' || model.daemon.state !== 'here' || (stack?.faults.length ?? 0) > 0;
  const job = model.job;
  const active = job !== null && (job.state === 'running' || job.state === 'inspecting');
  const mark = job === null ? null : active ? stateMark('rendering', `${percent(job)} %${job.seconds_left > 0 ? `, ${secondsText(job.seconds_left)} left` : ''}`)
    : job.state === 'failed' ? stateMark('failed', 'job failed') : job.state === 'cancelled' ? stateMark('muted', 'job cancelled') : stateMark('done', 'job done');
  fill(byId('job-state'), mark);

  const alert = byId('alert');
  let wrong = '';
  if (!model.loomHere) wrong = `${api.kGone} Changes that you make now are written when it is here again.`;
  else if (model.daemon.state !== 'here') wrong = `${model.daemon.message || 'The daemon does not answer.'} What is drawn stays; the stack can still be changed, and pictures come again when it does.`;
  else if (stack?.state === 'unreadable') wrong = `${stack.message} The last that was read is shown; nothing is lost here.`;
  else if (stack?.state === 'faulty') wrong = `The stack's text cannot be read as a stack${stack.faults[0] ? `: line ${stack.faults[0].line ?? '?'}: ${stack.faults[0].message}` : '.'} What is shown is of the last good text.`;
  if (alert.textContent !== wrong) alert.textContent = wrong;
  alert.hidden = wrong === '';
}

/** @param {import('./types.js').Job} job */
function percent(job) {
  const all = job.pass.reduce((n, line) => n + line.total, 0);
  return all === 0 ? 0 : Math.floor((100 * job.pass.reduce((n, line) => n + line.rendered + line.reused, 0)) / all);
}

let sayTimer = 0;
on('say', ({ text, sort }) => {
  const out = byId('said');
  out.textContent = text;
  out.className = `is-${sort} is-said`;
  clearTimeout(sayTimer);
  sayTimer = setTimeout(() => out.classList.remove('is-said'), sort === 'fault' ? 15000 : 5000);
});

// ---- the keyboard -------------------------------------------------------------------

function keys() {
  const on = (/** @type {string} */ k, /** @type {string} */ group, /** @type {string} */ words, /** @type {(event: KeyboardEvent) => void} */ run) => bind(k, group, words, run);
  on('ArrowRight', 'Frames', 'one frame on', () => goTo(model.frame + 1));
  on('ArrowLeft', 'Frames', 'one frame back', () => goTo(model.frame - 1));
  on('Shift+ArrowRight', 'Frames', 'ten frames on', () => goTo(model.frame + 10));
  on('Shift+ArrowLeft', 'Frames', 'ten frames back', () => goTo(model.frame - 10));
  on('Home', 'Frames', 'first frame', () => goTo(frames()[0] ?? 0));
  on('End', 'Frames', 'last frame', () => goTo(frames().at(-1) ?? 0));
  on('Space', 'Frames', 'play what is held, or stop', () => strip.togglePlay());
  on('.', 'Frames', 'next key frame', () => strip.goKey(1));
  on(',', 'Frames', 'key frame before', () => strip.goKey(-1));
  on('e', 'Frames', 'next frame that the report flags', () => flagged(1));
  on('E', 'Frames', 'flagged frame before', () => flagged(-1));
  on('m', 'Frames', 'mark this frame', () => strip.mark());
  on('j', 'Frames', 'back and forth between marked frames', () => strip.jump());
  on('ArrowDown', 'Passes', 'next pass', () => passes.chooseNext(1));
  on('ArrowUp', 'Passes', 'pass before', () => passes.chooseNext(-1));
  on('s', 'Passes', 'solo: of all passes only this one has an effect', () => passes.solo(model.shown));
  on('u', 'Passes', 'leave this pass out, or take it in again', () => passes.leaveOut(model.shown));
  on('/', 'Passes', 'find a pass', () => { go('passes'); byId('panel').dispatchEvent(new Event('pass-filter')); });
  for (const [id, words, k] of kAs) on(k, 'Shown as', words, () => show({ as: id }));
  on('w', 'Compare', 'wipe', () => compare(model.compare === 'wipe' ? 'none' : 'wipe', false));
  on('f', 'Compare', 'flip', () => (model.compare === 'flip' ? show({ flipped: !model.flipped }) : compare('flip', true)));
  on('d', 'Compare', 'difference, four times as bright', () => compare(model.compare === 'difference' ? 'none' : 'difference', false));
  on('q', 'Compare', 'alone again', () => compare('none', false));
  on('<', 'Compare', 'wipe to the left', () => show({ wipe: Math.max(model.wipe - 0.02, 0) }));
  on('>', 'Compare', 'wipe to the right', () => show({ wipe: Math.min(model.wipe + 0.02, 1) }));
  on('R', 'Channels and light', 'red', () => show({ channel: model.channel === 'red' ? 'all' : 'red' }));
  on('G', 'Channels and light', 'green', () => show({ channel: model.channel === 'green' ? 'all' : 'green' }));
  on('B', 'Channels and light', 'blue', () => show({ channel: model.channel === 'blue' ? 'all' : 'blue' }));
  on('Y', 'Channels and light', 'luminance', () => show({ channel: model.channel === 'luminance' ? 'all' : 'luminance' }));
  on('+ =', 'Channels and light', 'half a stop brighter', () => show({ stops: Math.min(model.stops + 0.5, 12) }));
  on('-', 'Channels and light', 'half a stop darker', () => show({ stops: Math.max(model.stops - 0.5, -12) }));
  on(')', 'Channels and light', 'more gamma', () => show({ gamma: Math.round(Math.min(model.gamma + 0.1, 8) * 10) / 10 }));
  on('(', 'Channels and light', 'less gamma', () => show({ gamma: Math.round(Math.max(model.gamma - 0.1, 0.1) * 10) / 10 }));
  on('0', 'Channels and light', 'as it is', () => show({ stops: 0, gamma: 1, channel: 'all' }));
  on('z', 'Picture', 'fit', () => picture.fit());
  on('Z', 'Picture', 'one pixel to one', () => picture.zoomTo(1 / devicePixelRatio));
  on('PageUp', 'Picture', 'nearer', () => picture.zoomTo(picture.scale() * 1.5));
  on('PageDown', 'Picture', 'farther', () => picture.zoomTo(picture.scale() / 1.5));
  on('l', 'Picture', 'outlines and boxes', () => show({ outlines: !model.outlines }));
  on('p', 'Picture', 'picture alone', () => go('picture'));
  on('S', 'Draw', 'new shape', () => { go('draw'); hands.startPen(); byId('stage').focus(); });
  bind('n', 'Draw', 'next point (N: the one before), with the focus on the picture', () => byId('stage').focus());
  bind('Arrows', 'Draw', 'move the chosen point; Shift 10 px, Alt 0.1 px', () => {});
  bind('i', 'Draw', 'insert a point after the chosen one; with a tool, set it down where arrows aim', () => {});
  bind('Delete', 'Draw', 'remove the chosen point', () => {});
  bind('v', 'Draw', 'curve or corner', () => {});
  bind('h', 'Draw', 'held: drag moves the picture', () => {});
  kViews.forEach((one, i) => on(String(i + 1), 'Views', one.words, () => go(one.id)));
  on('Ctrl+z', 'Stack', 'undo', () => void step('undo'));
  on('Ctrl+Shift+z Ctrl+y', 'Stack', 'redo', () => void step('redo'));
  on('Ctrl+Enter', 'Stack', 'submit', () => void shot.submit());
  on('Ctrl+s', 'Stack', 'write what was typed under Text', () => void text.save());
  on('t', 'Page', 'light or dark', theme);
  on('?', 'Page', 'these keys', showHelp);
  on('Escape', 'Page', 'to the picture', () => byId('stage').focus());
}

/** @param {1 | -1} by */
function flagged(by) {
  const list = [...report.flaggedFrames(model.shown)].sort((a, b) => a - b);
  const next = by > 0 ? list.find((frame) => frame > model.frame) : list.reverse().find((frame) => frame < model.frame);
  if (next !== undefined) goTo(next);
  else say(list.length === 0 ? `The report flags no frame of ${model.shown}.` : 'No further frame is flagged.');
}

// ---- what is kept over a reload ------------------------------------------------------

function theme() {
  const root = document.documentElement;
  root.dataset.theme = root.dataset.theme === 'dark' ? 'light' : 'dark';
  byId('theme').textContent = root.dataset.theme === 'dark' ? 'light' : 'dark';
  localStorage.setItem('loom-theme', root.dataset.theme);
  strip.draw();
  emit('theme');
  picture.draw();
}

let rememberTimer = 0;
function remember() {
  clearTimeout(rememberTimer);
  rememberTimer = setTimeout(() => {
    if (picture.playing()) return;
    history.replaceState(null, '', `#${api.query({ view, shown: model.shown, frame: model.frame, as: model.as, over: model.over, compare: model.compare === 'none' ? '' : model.compare, other: model.other, version: model.version || '', with: model.otherVersion || '' })}`);
  }, 400);
}

function recall() {
  const at = new URLSearchParams(location.hash.slice(1));
  for (const name of /** @type {const} */ (['shown', 'as', 'over', 'other'])) if (at.get(name)) model[name] = /** @type {string} */ (at.get(name));
  model.version = Math.max(Math.trunc(Number(at.get('version'))) || 0, 0);
  model.otherVersion = Math.max(Math.trunc(Number(at.get('with'))) || 0, 0);
  if (Number(at.get('frame'))) model.frame = Number(at.get('frame'));
  if (kCompare.some(([name]) => name === at.get('compare'))) model.compare = /** @type {any} */ (at.get('compare'));
  if (!kAs.some(([name]) => name === model.as)) model.as = 'checker';
  return at.get('view') ?? '';
}

function divider() {
  const bar = byId('divider');
  const main = byId('main');
  const set = (/** @type {number} */ width) => {
    const to = Math.round(Math.min(Math.max(width, 340), window.innerWidth - 360));
    main.style.setProperty('--panel-width', `${to}px`);
    bar.setAttribute('aria-valuenow', String(to));
    localStorage.setItem('loom-panel', String(to));
  };
  const kept = Number(localStorage.getItem('loom-panel'));
  if (kept > 0) set(kept);
  bar.addEventListener('pointerdown', (/** @type {PointerEvent} */ event) => bar.setPointerCapture(event.pointerId));
  bar.addEventListener('pointermove', (/** @type {PointerEvent} */ event) => { if (bar.hasPointerCapture(event.pointerId)) set(window.innerWidth - event.clientX); });
  bar.addEventListener('keydown', (/** @type {KeyboardEvent} */ event) => {
    const by = { ArrowLeft: 24, ArrowRight: -24 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    set(byId('panel').clientWidth + by);
  });
}

async function start() {
  try {
    [model.session, model.language] = await Promise.all([api.get('session'), api.get('language')]);
  } catch (error) {
    byId('alert').hidden = false;
    byId('alert').textContent = error instanceof Error ? error.message : String(error);
    return;
  }
  const kept = localStorage.getItem('loom-theme');
  if (kept === 'light') theme();
  const wanted = recall();
  document.body.classList.add(`mode-${model.session.mode}`);
  picture.start();
  strip.start();
  buildTabs();
  divider();
  keys();
  listenKeys();
  byId('undo').addEventListener('click', () => void step('undo'));
  byId('redo').addEventListener('click', () => void step('redo'));
  byId('submit').addEventListener('click', () => void shot.submit());
  byId('theme').addEventListener('click', theme);
  byId('keys').addEventListener('click', showHelp);
  byId('outlines').addEventListener('change', (/** @type {any} */ event) => show({ outlines: event.target.checked }));
  byId('zoom').addEventListener('click', () => picture.fit());
  byId('zoom-full').addEventListener('click', () => picture.zoomTo(1 / devicePixelRatio));
  byId('zoom-in').addEventListener('click', () => picture.zoomTo(picture.scale() * 1.5));
  byId('zoom-out').addEventListener('click', () => picture.zoomTo(picture.scale() / 1.5));
  on('look', () => {
    barSoon();
    remember();
  });
  on('stack', () => {
    barSoon();
    top();
  });
  on('versions', barSoon);
  on('faults daemon job jobs waiting', top);
  on('daemon', () => { if (model.daemon.state === 'here') wantPlan(); });
  await fetchStack('start');
  if (model.compare !== 'none') versions.wantVersions();
  go(model.session.mode === 'farm' ? 'farm' : kViews.some((one) => one.id === wanted) || wanted === 'picture' ? wanted : 'passes');
  show({ as: wanted === '' && find(model.shown)?.gives === 'matte' ? 'matte' : model.as });
  top();
  const said = saidBefore();
  if (said !== '') say(said);
  api.listen({ hear, gone: () => loomIs(false), here: () => loomIs(true) });
}

start().catch(sayError);
