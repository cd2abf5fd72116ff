// The passes: a list in working order with how each stands, and the one that is worked on
// with all its numbers.
import * as api from './api.js';
import { byId, fill, h, stateMark } from './dom.js';
import { askName, fieldRows, keepFocus, nameSelect } from './fields.js';
import { canLeaveOut, edit, find, model, on, passOrder, quietPasses, say, show, showPass, stateOf, wantPlan } from './model.js';

/** @typedef {import('./types.js').Pass} Pass @typedef {import('./types.js').Step} Step */

/** @type {HTMLElement} */
let list;
/** @type {HTMLElement} */
let inspector;
let filterText = '';

/** @type {Map<string, {row: HTMLElement, state: HTMLElement, thumb: HTMLImageElement, key: string}>} */
const rows = new Map();

/** Plates and masks first, since they are there first, then the passes. */
function listed() {
  const stack = model.stack;
  if (stack === null) return [];
  return [...stack.plates.map((one) => ({ name: one.name, sort: 'plate', from: '' })),
    ...stack.masks.map((one) => ({ name: one.name, sort: 'mask', from: one.fields.follow?.fields?.picture?.value ? `follows ${one.fields.follow.fields.picture.value}` : (one.fields.shape ?? []).length === 1 ? '1 shape' : `${(one.fields.shape ?? []).length} shapes` })),
    ...passOrder().map((name) => {
      const pass = /** @type {Pass} */ (find(name)?.block);
      return { name, sort: 'pass', from: (pass.inputs ?? []).join(', ') };
    })];
}

function buildList() {
  const all = listed();
  const wanted = all.filter((one) => filterText === '' || one.name.includes(filterText) || one.from.includes(filterText));
  const names = new Set(all.map((one) => one.name));
  for (const name of [...rows.keys()]) if (!names.has(name)) rows.delete(name);
  list.replaceChildren(...wanted.map((one, index) => {
    const key = `${one.sort}\n${one.from}\n${find(one.name)?.gives}`;
    let entry = rows.get(one.name);
    if (entry === undefined || entry.key !== key) {
      const thumb = h('img', { class: 'thumb', alt: '', width: 40, height: 23 });
      const state = h('span', { class: 'pass-state' });
      const row = h('div', { class: `pass-row is-${one.sort}`, role: 'option', tabindex: -1, 'data-name': one.name, onclick: () => choose(one.name) },
        thumb, h('span', { class: 'pass-name' }, one.name),
        h('span', { class: 'pass-from', title: one.from }, one.sort === 'pass' ? `${kindWord(find(one.name)?.gives)}${one.from ? ` from ${one.from}` : ''}` : `${one.sort}${one.from ? `, ${one.from}` : ''}`), state);
      entry = { row, state, thumb, key };
      rows.set(one.name, entry);
      watcher.observe(row);
    }
    entry.row.setAttribute('aria-posinset', String(index + 1));
    return entry.row;
  }));
  marks();
}

/** @param {string | undefined} kind */
const kindWord = (kind) => (kind === 'opaque' || kind === 'straight' || kind === 'premultiplied' ? 'colour' : kind || 'pass');

function marks() {
  const paths = new Set(quietPasses());
  const quiet = new Set((model.stack?.passes ?? []).filter((one) => paths.has(one.path)).map((one) => one.name));
  for (const [name, entry] of rows) {
    const chosen = name === model.shown;
    entry.row.classList.toggle('is-chosen', chosen);
    entry.row.setAttribute('aria-selected', String(chosen));
    entry.row.tabIndex = chosen ? 0 : -1;
    if (find(name)?.sort !== 'pass') continue;
    const left = model.solo !== '' ? model.solo !== name && quiet.has(name) : model.leftOut.includes(name);
    entry.row.classList.toggle('is-left-out', left);
    const state = name === model.solo ? { state: 'solo', word: 'solo', more: 'Of all passes on the way to the picture only this one has an effect.' }
      : left ? { state: 'muted', word: 'left out', more: 'Has no effect on the picture; the stack stays as it is.' } : stateOf(name);
    const key = `${state.state} ${state.word} ${state.more}`;
    if (entry.state.dataset.key !== key) {
      entry.state.dataset.key = key;
      entry.state.replaceChildren(stateMark(state.state, state.word));
      entry.state.title = state.more;
    }
  }
  const chosen = rows.get(model.shown)?.row;
  if (chosen !== undefined && chosen !== seen) {
    seen = chosen;
    chosen.scrollIntoView({ block: 'nearest' });
  }
}
/** @type {HTMLElement | null} */
let seen = null;

// ---- for looking only --------------------------------------------------------------

/** Leaves a pass out: what it comes from goes on in its place. @param {string} name */
export function leaveOut(name) {
  if (model.leftOut.includes(name)) show({ leftOut: model.leftOut.filter((one) => one !== name) });
  else if (canLeaveOut(name)) show({ leftOut: [...model.leftOut, name], solo: '' });
  else say(`${name} cannot be left out: it does not give what it comes from.`);
}

/** Looks at what a pass does by itself. @param {string} name */
export function solo(name) {
  if (find(name)?.sort !== 'pass') say(`${name} is no pass.`);
  else show({ solo: model.solo === name ? '' : name });
}

/** @param {string} name */
function choose(name) {
  showPass(name);
}

/** @param {number} by */
export function chooseNext(by) {
  const all = listed().filter((one) => filterText === '' || one.name.includes(filterText) || one.from.includes(filterText)).map((one) => one.name);
  const next = all[Math.min(Math.max(all.indexOf(model.shown) + by, 0), all.length - 1)];
  if (next === undefined) return;
  choose(next);
  if (list.contains(document.activeElement)) rows.get(next)?.row.focus();
}

// ---- small pictures --------------------------------------------------------------

// Only of rows that are seen and of what is in the cache: a list must not make the farm work.
/** @type {Set<string>} */
const visible = new Set();
/** @type {Set<string>} */
const stale = new Set();
/** @type {Map<string, string>} */
const thumbs = new Map();
let drawing = false;

const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const name = /** @type {HTMLElement} */ (entry.target).dataset.name ?? '';
    if (entry.isIntersecting) visible.add(name);
    else visible.delete(name);
  }
  void drawThumbs();
});

async function drawThumbs() {
  if (drawing || model.daemon.state !== 'here') return;
  drawing = true;
  try {
    for (;;) {
      const name = [...visible].find((one) => {
        const sort = find(one)?.sort;
        return rows.has(one) && (!thumbs.has(one) || stale.has(one)) && (sort !== 'pass' || stateOf(one).state === 'held');
      });
      if (name === undefined) break;
      stale.delete(name);
      const gives = find(name)?.gives;
      let url = '';
      try {
        const response = await fetch(`/api/look?${api.query({ pass: name, frame: middle(), as: gives === 'matte' ? 'matte' : gives === 'opaque' ? 'color' : 'checker', longest_side: 96 })}`);
        if (response.ok) url = URL.createObjectURL(await response.blob());
      } catch {
        // Without a daemon the row has no picture.
      }
      const old = thumbs.get(name);
      thumbs.set(name, url || (old ?? ''));
      const entry = rows.get(name);
      if (entry && url) entry.thumb.src = url;
      if (old && url) URL.revokeObjectURL(old);
    }
  } finally {
    drawing = false;
  }
}

/** One frame for all small pictures, so that moving in time does not ask for all of them again. */
const middle = () => Math.floor(((model.stack?.frames.first ?? 0) + (model.stack?.frames.last ?? 0)) / 2);

// ---- the one that is worked on -----------------------------------------------------

/** @param {Step} step @param {number} index @param {Pass} pass */
function stepBlock(step, index, pass) {
  const operator = model.language.operators[step.operator];
  const off = model.stack?.read_only || model.stack?.state !== 'good';
  const owner = `${pass.name} ${step.operator}${step.which > 1 ? ` ${step.which}` : ''}`;
  const left = model.without.includes(step.path);
  return h('section', { class: `step ${left ? 'is-left-out' : ''}`, 'aria-label': owner },
    h('header', null,
      h('h3', null, h('span', { class: 'step-number' }, index + 1), step.operator),
      h('span', { class: 'row' },
        h('button', { class: 'small', 'aria-pressed': left, title: 'Look at the picture without this step; the stack stays as it is',
          onclick: () => { show({ without: left ? model.without.filter((one) => one !== step.path) : [...model.without, step.path] }); } }, left ? 'left out' : 'leave out'),
        h('button', { class: 'small', disabled: off, title: 'Mute: the step stays in the file as a comment', onclick: () => edit([{ kind: 'mute', path: step.path, muted: true }], `mute ${owner}`) }, 'mute'),
        h('button', { class: 'small', disabled: off || index === 0, 'aria-label': `Move ${owner} up`, title: 'Earlier', onclick: () => edit([{ kind: 'move', path: step.path, to: index - 1 }], `move ${owner}`) }, '↑'),
        h('button', { class: 'small', disabled: off || index === pass.steps.length - 1, 'aria-label': `Move ${owner} down`, title: 'Later', onclick: () => edit([{ kind: 'move', path: step.path, to: index + 1 }], `move ${owner}`) }, '↓'),
        h('button', { class: 'small', disabled: off, title: 'A copy behind it', onclick: () => edit([{ kind: 'duplicate', path: step.path }], `duplicate ${owner}`) }, 'copy'),
        h('button', { class: 'small', disabled: off, title: 'Takes the step out of the file; undo brings it back', onclick: () => edit([{ kind: 'reset', path: step.path }], `remove ${owner}`) }, 'remove'))),
    operator === undefined ? null : h('details', { class: 'doc' }, h('summary', null, operator.summary || 'What it does'), h('p', { class: 'doc-text' }, operator.doc)),
    fieldRows(operator?.fields ?? [], step.fields, `${step.path}.${step.operator}`, owner));
}

/** @param {Pass} pass */
function addStep(pass) {
  const before = pass.gives;
  /** @type {Map<string, string[]>} */
  const families = new Map();
  for (const [name, operator] of Object.entries(model.language.operators)) {
    const source = operator.takes.length === 0;
    const fits = pass.from === '' && pass.steps.length === 0 ? source
      : !source && (before === '' || operator.takes.includes(before) || (before === 'opaque' && (operator.takes.includes('straight') || operator.takes.includes('premultiplied'))));
    if (!fits) continue;
    families.set(operator.family, [...(families.get(operator.family) ?? []), name]);
  }
  const off = model.stack?.read_only || model.stack?.state !== 'good';
  return h('select', { class: 'add', 'aria-label': `Add a step to ${pass.name}`, disabled: off, onchange: (/** @type {any} */ event) => {
    const name = event.target.value;
    event.target.value = '';
    if (name !== '') void edit([{ kind: 'insert', path: `${pass.path}.step`, value: { [name]: starting(name, pass) } }], `add ${name} to ${pass.name}`);
  } }, h('option', { value: '' }, '+ add a step'),
  [...families].map(([family, list]) => h('optgroup', { label: family }, list.sort().map((name) =>
    h('option', { value: name, title: model.language.operators[name].summary }, name)))));
}

/** What a new step must have before it can be read: required names, the nearest that fits. @param {string} name @param {Pass} pass */
function starting(name, pass) {
  /** @type {Record<string, any>} */
  const value = {};
  const order = passOrder();
  for (const f of model.language.operators[name].fields) {
    if (!f.required || f.type !== 'name') continue;
    const at = order.indexOf(pass.name);
    const near = [...order.slice(0, at).reverse(), ...(model.stack?.masks ?? []).map((one) => one.name), ...(model.stack?.plates ?? []).map((one) => one.name)];
    const fit = near.find((one) => {
      const gives = find(one)?.gives ?? '';
      return !f.kinds || f.kinds.includes(gives) || (gives === 'opaque' && (f.kinds.includes('straight') || f.kinds.includes('premultiplied')));
    });
    if (fit !== undefined) value[f.name] = fit;
  }
  return value;
}

/** @param {string} base */
export function freeName(base) {
  if (find(base) === null) return base;
  for (let i = 2; ; ++i) if (find(`${base}_${i}`) === null) return `${base}_${i}`;
}

async function addPass() {
  const stack = model.stack;
  if (stack === null) return;
  const from = model.shown;
  const name = await askName(`Name of the new pass, from ${from}`, freeName(`${from}_pass`));
  if (name === null) return;
  const at = stack.passes.findIndex((one) => one.name === from) + 1;
  if (await edit([{ kind: 'insert', path: 'pass', value: { name, from }, ...(at > 0 ? { at } : {}) }], `new pass ${name}`)) showPass(name);
}

/** @param {{path: string, name?: string}} block @param {string} sort */
async function rename(block, sort) {
  const name = await askName(`New name of ${sort} ${block.name}, everywhere`, block.name);
  if (name === null || name === block.name) return;
  const shown = model.shown === block.name;
  if (await edit([{ kind: 'rename', path: block.path, name }], `rename ${block.name}`) && shown) showPass(name);
}

/** @param {{path: string, name?: string}} block @param {string} sort */
async function duplicate(block, sort) {
  const name = await askName(`Name of the copy of ${sort} ${block.name}`, freeName(`${block.name}_copy`));
  if (name !== null && await edit([{ kind: 'duplicate', path: block.path, name }], `duplicate ${block.name}`)) showPass(name);
}

function buildInspector() {
  const found = find(model.shown);
  const off = model.stack?.read_only || model.stack?.state !== 'good';
  if (found === null) {
    fill(inspector, h('p', { class: 'note' }, model.stack?.state === 'none' ? 'This loom has no stack.' : 'Nothing is chosen.'));
    return;
  }
  const block = found.block;
  const head = h('header', { class: 'inspector-head' }, h('h2', null, block.name), h('span', { class: 'dim' }, `${found.sort}${found.sort === 'pass' ? `, gives ${found.gives || 'what is not known'}` : ''}`),
    h('span', { class: 'row' },
      found.sort !== 'pass' ? null : [
        h('button', { class: 'small', 'aria-pressed': model.solo === block.name, title: 'Of all passes on the way to the picture only this one has an effect; the stack stays as it is (s)', onclick: () => solo(block.name) }, 'solo'),
        h('button', { class: 'small', 'aria-pressed': model.leftOut.includes(block.name), disabled: !canLeaveOut(block.name), title: canLeaveOut(block.name) ? 'What it comes from goes on in its place; the stack stays as it is (u)' : 'It cannot be left out: it does not give what it comes from', onclick: () => leaveOut(block.name) }, model.leftOut.includes(block.name) ? 'left out' : 'leave out')],
      h('button', { class: 'small', disabled: off, onclick: () => rename(block, found.sort) }, 'rename'),
      h('button', { class: 'small', disabled: off, onclick: () => duplicate(block, found.sort) }, 'duplicate'),
      h('button', { class: 'small', disabled: off, onclick: async () => { if (await edit([{ kind: 'reset', path: block.path }], `remove ${block.name}`)) say(`${block.name} is taken out of the file; undo brings it back.`); } }, 'remove')));
  if (found.sort !== 'pass') {
    const fields = model.language.blocks[found.sort === 'plate' ? 'Plate' : 'Mask']?.fields ?? [];
    fill(inspector, head, found.sort === 'mask' ? h('p', { class: 'note' }, 'Its shapes are drawn under Draw.') : null,
      h('section', { class: 'step' }, fieldRows(fields, block.fields, block.path, `${found.sort} ${block.name}`, { skip: ['name', 'shape'] })));
    return;
  }
  const pass = /** @type {Pass} */ (block);
  const state = stateOf(pass.name);
  const link = (/** @type {string} */ name) => h('button', { class: 'link', onclick: () => (find(name) ? showPass(name) : undefined), disabled: find(name) === null }, name);
  const muted = pass.muted ?? [];
  /** @type {any[]} */
  const steps = [];
  pass.steps.forEach((step, i) => {
    steps.push(muted.filter((one) => one.before === i).map(mutedBlock), stepBlock(step, i, pass));
  });
  steps.push(muted.filter((one) => one.before >= pass.steps.length).map(mutedBlock));
  fill(inspector, head,
    h('p', { class: 'pass-story' }, stateMark(state.state, state.word), state.more ? h('span', { class: 'dim' }, state.more) : null),
    h('div', { class: 'field is-set' }, h('span', { class: 'name' }, 'from'), h('span', { class: 'control' },
      nameSelect(undefined, pass.from, `${pass.name} from`, (name) => edit([name === '' ? { kind: 'reset', path: `${pass.path}.from` } : { kind: 'set', path: `${pass.path}.from`, value: name }], `${pass.name} from ${name}`), { off, none: true, except: pass.name })),
    h('span', { class: 'range' }), h('span', { class: 'key' }), h('span', { class: 'reset' })),
    steps, h('div', { class: 'row' }, addStep(pass)),
    h('section', { class: 'step' }, fieldRows((model.language.blocks.Pass?.fields ?? []).filter((f) => f.name === 'keep' || f.name === 'note'), pass.fields, pass.path, pass.name)),
    h('p', { class: 'dim wires' }, 'Made from ', (pass.inputs ?? []).map((name, i) => [i ? ', ' : '', link(name)]), (pass.inputs ?? []).length === 0 ? 'nothing' : null, '. ',
      (pass.dependents ?? []).length > 0 ? ['Used by ', pass.dependents.map((name, i) => [i ? ', ' : '', link(name)]), '.'] : 'Used by nothing.'));
}

/** @param {import('./types.js').Muted} one */
function mutedBlock(one) {
  return h('section', { class: 'step is-muted' }, h('header', null, stateMark('muted', 'muted'), h('code', null, one.text.replace(/^#muted /gm, '').slice(0, 120)),
    h('button', { class: 'small', onclick: () => edit([{ kind: 'mute', offset: one.place[0], muted: false }], 'unmute') }, 'take it in again')));
}

let builtFor = '';
/** Builds the panel anew where something that it shows is another. */
function refresh() {
  const stack = model.stack;
  const places = (/** @type {string} */ key, /** @type {any} */ value) => (key === 'place' ? undefined : value);
  const key = JSON.stringify([model.shown, model.frame, stack?.state, stack?.read_only, model.without, model.solo, model.leftOut, find(model.shown)?.block,
    passOrder(), stack?.masks.map((one) => one.name), stack?.plates.map((one) => one.name)], places);
  if (key === builtFor) return;
  builtFor = key;
  keepFocus(inspector, buildInspector);
}

/** @param {boolean} is */
export function setOpen(is) {
  if (!is) return;
  // What is chosen is seen at once; it could not be scrolled to while the list was hidden.
  seen = null;
  marks();
}

/** @param {HTMLElement} host */
export function start(host) {
  list = h('div', { class: 'pass-list', role: 'listbox', 'aria-label': 'Plates, masks and passes in working order' });
  inspector = h('div', { class: 'inspector' });
  const filter = h('input', { type: 'search', class: 'text', placeholder: 'find a pass', 'aria-label': 'Show only passes with this in their name or inputs',
    oninput: (/** @type {any} */ event) => { filterText = event.target.value.trim(); buildList(); } });
  fill(host, h('div', { class: 'list-side' }, h('div', { class: 'row list-head' }, filter, h('button', { class: 'small', id: 'add-pass', onclick: () => void addPass() }, '+ pass')), list), inspector);
  list.addEventListener('keydown', (event) => {
    const by = { ArrowDown: 1, ArrowUp: -1, Home: -1e9, End: 1e9 }[event.key];
    if (by === undefined) return;
    event.preventDefault();
    chooseNext(by);
  });
  on('stack', ({ changed }) => {
    changed.forEach((/** @type {string} */ name) => stale.add(name));
    if (model.without.length > 0 && changed.size > 0) model.without = [];
    buildList();
    refresh();
    wantPlan();
  });
  on('look', () => {
    marks();
    refresh();
  });
  on('plan job faults daemon', () => {
    marks();
    const story = inspector.querySelector('.pass-story');
    if (story && find(model.shown)?.sort === 'pass') {
      const state = stateOf(model.shown);
      fill(story, stateMark(state.state, state.word), state.more ? h('span', { class: 'dim' }, state.more) : null);
    }
    void drawThumbs();
  });
  byId('panel').addEventListener('pass-filter', () => filter.focus());
}
