// The fields of a block of the stack, each by its type: shown, changed, keyed, reset. What
// there is comes from the language that the loom tells; nothing here knows an operator.
import { byId, bytesText, h, numberText } from './dom.js';
import { edit, find, goTo, model, names, show } from './model.js';
import { numberField } from './number.js';

/** @typedef {import('./types.js').LanguageField} LanguageField */

/** What tools on the picture can be asked for; set by hands.js. */
export const tools = {
  /** @type {(path: string, words: string) => void} */
  box: () => {},
  /** @type {(words: string, done: (rgb: number[]) => void) => void} */
  color: () => {},
};

/** The value of an animated field at a frame, as the language has it. @param {any} field @param {number} frame */
export function valueAt(field, frame) {
  const at = field?.at;
  if (!Array.isArray(at) || at.length === 0) return field?.value;
  if (frame <= at[0].frame) return at[0].value;
  const last = at[at.length - 1];
  if (frame >= last.frame) return last.value;
  const i = at.findIndex((key) => key.frame > frame);
  const a = at[i - 1];
  const b = at[i];
  let t = (frame - a.frame) / (b.frame - a.frame);
  if (field.ease === 'HOLD') t = 0;
  else if (field.ease === 'SMOOTH') t = t * t * (3 - 2 * t);
  const mix = (/** @type {number} */ x, /** @type {number} */ y) => x + (y - x) * t;
  return Array.isArray(a.value) ? a.value.map((/** @type {number} */ v, /** @type {number} */ k) => mix(v, b.value[k])) : mix(a.value, b.value);
}

/** "0 to 1024 px" @param {LanguageField} f */
function rangeText(f) {
  // Limits that nobody comes near say nothing.
  const wide = (/** @type {number | undefined} */ limit) => limit === undefined || Math.abs(limit) >= 10000;
  if (wide(f.min) && wide(f.max)) return f.unit ?? '';
  return `${f.min === undefined ? '' : numberText(f.min)} to ${f.max === undefined ? '' : numberText(f.max)}${f.unit ? ` ${f.unit}` : ''}`;
}

/** @param {string} path The last word of a path. */
const label = (path) => path.replace(/^.*\./, '');

/** @param {string} doc */
const firstSentence = (doc) => (doc ?? '').split('\n\n')[0].replace(/\s+/g, ' ');

/** @param {string} path @param {any} value @param {boolean} animated */
function setEdit(path, value, animated) {
  return animated ? { kind: 'set', path, frame: model.frame, value } : { kind: 'set', path, value };
}

/** Tries a value on the picture while it is pulled. @param {string} path @param {any} value */
function attempt(path, value) {
  show({ trying: [`${path}=${Array.isArray(value) ? value.join(',') : value}`] });
}

/**
 * The button for key frames. @param {LanguageField} f @param {any} field @param {string} path
 */
function keyButton(f, field, path) {
  if (f.type !== 'number' && f.type !== 'colour') return null;
  const at = field?.at ?? [];
  const here = at.some((/** @type {any} */ key) => key.frame === model.frame);
  const words = here ? `Take the key frame at ${model.frame} away` : `Key frame at ${model.frame}`;
  return h('button', {
    class: `key ${here ? 'is-here' : at.length > 0 ? 'is-some' : ''}`, title: words, 'aria-label': `${label(path)}: ${words}`, 'aria-pressed': here,
    onclick: () => edit([here ? { kind: 'unkey', path, frame: model.frame }
      : { kind: 'key', path, frame: model.frame, ...(field === undefined ? { value: f.default ?? (f.type === 'colour' ? [0, 0, 0] : 0) } : {}) }], `${here ? 'unkey' : 'key'} ${label(path)}`),
  }, here ? '◆' : '◇');
}

/** @param {LanguageField} f @param {any} field @param {string} path */
function resetButton(f, field, path) {
  if (field === undefined || f.required) return h('span', { class: 'reset' });
  const to = f.default === undefined ? 'not set' : `${Array.isArray(f.default) ? f.default.map(numberText).join(' ') : typeof f.default === 'number' ? numberText(f.default) : f.default}`;
  return h('button', { class: 'reset', title: `Reset to ${to}`, 'aria-label': `Reset ${label(path)} to ${to}`,
    onclick: () => edit([{ kind: 'reset', path }], `reset ${label(path)}`) }, '↺');
}

/** The key frames of a field: each goes to its frame. @param {any} field @param {string} path */
function keyList(field, path) {
  const at = field?.at;
  if (!Array.isArray(at) || at.length === 0) return null;
  return h('div', { class: 'key-list' }, at.map((key) => h('button', { class: key.frame === model.frame ? 'is-now' : '', onclick: () => goTo(key.frame), title: `Go to ${key.frame}` },
    `${key.frame}: ${Array.isArray(key.value) ? key.value.map(numberText).join(' ') : numberText(key.value)}`)),
  h('select', { 'aria-label': `${label(path)}: from key frame to key frame`, onchange: (/** @type {any} */ event) => edit([{ kind: 'set', path: `${path}.ease`, value: event.target.value }], `ease of ${label(path)}`) },
    ['LINEAR', 'SMOOTH', 'HOLD'].map((name) => h('option', { value: name, selected: (field.ease ?? 'LINEAR') === name }, name.toLowerCase()))));
}

/** @param {number[]} rgb */
function swatch(rgb) {
  const element = h('span', { class: 'swatch', 'aria-hidden': 'true' });
  const code = (/** @type {number} */ v) => Math.round(255 * Math.min(Math.max(v <= 0.0031308 ? 12.92 * v : 1.055 * Math.pow(v, 1 / 2.4) - 0.055, 0), 1));
  element.style.backgroundColor = `rgb(${rgb.map(code).join(' ')})`;
  return element;
}

/** @param {LanguageField} f @param {any} field @param {string} path @param {string} owner Words for screen readers. */
function control(f, field, path, owner) {
  const off = model.stack?.read_only || model.session.read_only || model.stack?.state !== 'good';
  const animated = Array.isArray(field?.at) && field.at.length > 0;
  const words = `${owner} ${f.name}`;
  // A field that is being typed in outlives a change of the stack: its path is that of this one.
  const madeFor = model.stack;
  const change = (/** @type {any} */ value) => edit([setEdit(path, value, animated)], words, undefined, madeFor);
  if (f.type === 'number' || f.type === 'real' || f.type === 'whole') {
    const value = valueAt(field, model.frame) ?? f.default ?? 0;
    return numberField({ label: words, value, min: f.min, max: f.max, fallback: f.default, whole: f.type === 'whole', disabled: off, unset: field === undefined && f.default === undefined,
      preview: (v) => attempt(path, v), commit: change });
  }
  if (f.type === 'colour') {
    const fallback = Array.isArray(f.default) ? f.default : [f.default ?? 0, f.default ?? 0, f.default ?? 0];
    const rgb = valueAt(field, model.frame) ?? fallback;
    return h('span', { class: 'color' }, swatch(rgb), ['red', 'green', 'blue'].map((part, i) => {
      const changed = (/** @type {number} */ v) => rgb.map((/** @type {number} */ old, /** @type {number} */ k) => (k === i ? v : old));
      return numberField({ label: `${words} ${part}`, value: rgb[i], min: f.min, max: f.max, fallback: fallback[i], disabled: off,
        preview: (v) => attempt(path, changed(v)), commit: (v) => change(changed(v)) });
    }), h('button', { class: 'small', disabled: off, title: 'Pick this colour on the picture', 'aria-label': `Pick ${words} on the picture`,
      onclick: () => tools.color(`Pick ${words}: click on the picture`, (picked) => change(picked)) }, 'pick'));
  }
  if (f.type === 'choice') {
    const chosen = field?.value ?? f.default ?? f.choices?.[0]?.name;
    return h('select', { 'aria-label': words, disabled: off, onchange: (/** @type {any} */ event) => change(event.target.value) },
      (f.choices ?? []).map((one) => h('option', { value: one.name, selected: one.name === chosen, title: one.doc }, one.name.toLowerCase().replaceAll('_', ' '))));
  }
  if (f.type === 'bool') {
    return h('input', { type: 'checkbox', 'aria-label': words, disabled: off, checked: (field?.value ?? f.default ?? false) === true,
      onchange: (/** @type {any} */ event) => change(event.target.checked) });
  }
  if (f.type === 'name') return nameSelect(f.kinds, field?.value ?? '', words, change, { off, none: !f.required, except: passOf(path) });
  if (field?.long) return h('span', { class: 'dim' }, `${bytesText(field.long)}: too long to be shown here`);
  return h('input', { type: 'text', class: 'text', 'aria-label': words, disabled: off, value: field?.value ?? '',
    oninput: (/** @type {any} */ event) => { event.target.dataset.dirty = 'yes'; }, onchange: (/** @type {any} */ event) => { delete event.target.dataset.dirty; void change(event.target.value); } });
}

/** The pass in whose block a path lies. @param {string} path */
function passOf(path) {
  const match = /^pass\[(\d+)\]/.exec(path);
  return match ? model.stack?.passes[Number(match[1])]?.name : undefined;
}

/**
 * What can be an input here, in groups.
 * @param {string[] | undefined} kinds @param {string} chosen @param {string} words @param {(name: string) => void} change
 * @param {{off?: boolean, none?: boolean, except?: string}} [o]
 */
export function nameSelect(kinds, chosen, words, change, o = {}) {
  const fit = names(kinds, o.except);
  const all = [...fit.plates, ...fit.masks, ...fit.passes];
  const group = (/** @type {string} */ title, /** @type {string[]} */ list) => (list.length === 0 ? null
    : h('optgroup', { label: title }, list.map((name) => h('option', { value: name, selected: name === chosen }, name))));
  return h('select', { 'aria-label': words, disabled: o.off ?? false, onchange: (/** @type {any} */ event) => change(event.target.value) },
    o.none && chosen === '' ? h('option', { value: '', selected: true }, 'not set') : null,
    chosen !== '' && !all.includes(chosen) ? h('option', { value: chosen, selected: true }, find(chosen) ? `${chosen} (does not fit)` : `${chosen} (not there)`) : null,
    !o.none && chosen === '' ? h('option', { value: '', selected: true }, 'choose one') : null,
    group('passes', fit.passes), group('masks', fit.masks), group('plates', fit.plates));
}

/**
 * The rows of a block.
 * @param {LanguageField[]} fields @param {Record<string, any>} values @param {string} path @param {string} owner
 * @param {{skip?: string[], depth?: number}} [o]
 * @returns {any[]}
 */
export function fieldRows(fields, values, path, owner, o = {}) {
  const depth = o.depth ?? 0;
  /** @type {any[]} */
  const rows = [];
  const grouped = new Set();
  for (const f of fields) {
    if (o.skip?.includes(f.name)) continue;
    const here = `${path}.${f.name}`;
    if (f.only_one_of) {
      if (grouped.has(f.only_one_of)) continue;
      grouped.add(f.only_one_of);
      const group = fields.filter((one) => one.only_one_of === f.only_one_of);
      if (group.length > 1) {
        rows.push(...alternatives(group, values, path, owner, depth));
        continue;
      }
    }
    rows.push(...(f.list ? listRows(f, values[f.name] ?? [], here, owner, depth) : oneRow(f, values[f.name], here, owner, depth)));
  }
  return rows;
}

/** @param {LanguageField} f @param {any} field @param {string} path @param {string} owner @param {number} depth @returns {any[]} */
function oneRow(f, field, path, owner, depth) {
  if (f.type === 'block') return blockRows(f, field, path, owner, depth);
  const set = field !== undefined;
  const row = h('div', { class: `field depth-${Math.min(depth, 3)} ${set ? 'is-set' : ''} ${f.type === 'colour' ? 'is-color' : ''}`, 'data-path': path },
    h('span', { class: 'name', title: firstSentence(f.doc) }, f.name),
    h('span', { class: 'control' }, control(f, field, path, owner)),
    h('span', { class: 'range' }, f.type === 'number' || f.type === 'real' || f.type === 'whole' || f.type === 'colour' ? rangeText(f) : ''),
    keyButton(f, field, path) ?? h('span', { class: 'key' }), resetButton(f, field, path));
  const keys = keyList(field, path);
  return keys === null ? [row] : [row, keys];
}

/** Blocks that are not set and are shown all the same, by path. @type {Set<string>} */
const opened = new Set();

/** @param {LanguageField} f @param {any} field @param {string} path @param {string} owner @param {number} depth @returns {any[]} */
function blockRows(f, field, path, owner, depth) {
  const inner = model.language.blocks[f.block ?? '']?.fields ?? [];
  const off = model.stack?.read_only || model.stack?.state !== 'good';
  const boxed = f.block === 'SampleBox';
  // A block that need not be there takes one row until it is wanted.
  const folded = field === undefined && !boxed && !f.required && inner.length > 2 && !inner[0].only_one_of && !opened.has(path);
  const head = h('div', { class: `field is-block depth-${Math.min(depth, 3)} ${field === undefined ? '' : 'is-set'}`, 'data-path': path },
    h('span', { class: 'name', title: firstSentence(f.doc) }, f.name),
    h('span', { class: 'control' }, boxed ? h('button', { class: 'small', disabled: off, onclick: () => tools.box(path, `${owner} ${f.name}`) }, field === undefined ? 'draw a box' : 'draw it anew') : null,
      folded ? [h('span', { class: 'dim' }, 'not set '), h('button', { class: 'small', 'aria-label': `Show the fields of ${owner} ${f.name}`, onclick: (/** @type {any} */ event) => {
        opened.add(path);
        event.target.closest('.field').replaceWith(...blockRows(f, field, path, owner, depth));
      } }, 'show')] : null,
      boxed && field !== undefined ? h('span', { class: 'dim' }, ` ${['x', 'y'].map((n) => field.fields?.[n]?.value ?? 0).join(', ')}  ${field.fields?.width?.value ?? 0} × ${field.fields?.height?.value ?? 0}`) : null),
    h('span', { class: 'range' }), h('span', { class: 'key' }), resetButton(f, field, path));
  // Blocks within blocks are opened only as far as they are set, so that the list stays short.
  if (folded || (field === undefined && (depth > 0 || boxed) && !opened.has(path))) return [head];
  return [head, ...fieldRows(inner, field?.fields ?? {}, path, `${owner} ${f.name}`, { depth: depth + 1 })];
}

/** Fields of which only one can be set: first which, then its value. @param {LanguageField[]} group @param {Record<string, any>} values @param {string} path @param {string} owner @param {number} depth */
function alternatives(group, values, path, owner, depth) {
  const set = group.find((f) => values[f.name] !== undefined && !(Array.isArray(values[f.name]) && values[f.name].length === 0));
  const off = model.stack?.read_only || model.stack?.state !== 'good';
  const choose = (/** @type {string} */ name) => {
    const f = group.find((one) => one.name === name);
    if (f === undefined) {
      if (set) void edit([{ kind: 'reset', path: `${path}.${set.name}` }], `reset ${owner} ${set.name}`);
      return;
    }
    const here = `${path}.${f.name}`;
    if (f.block === 'SampleBox') {
      tools.box(here, `${owner} ${f.name}`);
      return;
    }
    let value;
    if (f.type === 'choice') value = f.choices?.[0]?.name;
    else if (f.type === 'name') {
      const fit = names(f.kinds, passOf(path));
      value = fit.plates[0] ?? fit.passes[0] ?? fit.masks[0];
      if (value === undefined) return;
    } else if (f.type === 'colour') value = [0, 1, 0];
    else if (f.type === 'bool') value = true;
    else if (f.type === 'block') value = {};
    else if (f.type === 'text') value = '';
    else value = f.default ?? f.min ?? 0;
    void edit([{ kind: 'set', path: here, value }], `${owner} ${f.name}`);
  };
  const row = h('div', { class: `field depth-${Math.min(depth, 3)} ${set ? 'is-set' : ''}` },
    h('span', { class: 'name', title: group.map((f) => `${f.name}: ${firstSentence(f.doc)}`).join('\n') }, 'taken from'),
    h('span', { class: 'control' }, h('select', { 'aria-label': `${owner}: which of ${group.map((f) => f.name).join(', ')}`, disabled: off, onchange: (/** @type {any} */ event) => choose(event.target.value) },
      h('option', { value: '', selected: set === undefined }, 'not set'),
      group.map((f) => h('option', { value: f.name, selected: f === set }, f.name.replaceAll('_', ' '))))),
    h('span', { class: 'range' }), h('span', { class: 'key' }), h('span', { class: 'reset' }));
  if (set === undefined) return [row];
  const here = `${path}.${set.name}`;
  return [row, ...(set.list ? listRows(set, values[set.name], here, owner, depth) : oneRow(set, values[set.name], here, owner, depth))];
}

/** @param {LanguageField} f @param {any[]} entries @param {string} path @param {string} owner @param {number} depth */
function listRows(f, entries, path, owner, depth) {
  /** @type {any[]} */
  const rows = [];
  entries.forEach((entry, i) => {
    const here = `${path}[${i}]`;
    const one = { ...f, list: false, required: false, name: `${f.name} ${i + 1}` };
    rows.push(...(f.type === 'block' ? blockRows(one, entry, here, owner, depth) : oneRow(one, entry, here, owner, depth)));
  });
  if (entries.length === 0) {
    rows.push(h('div', { class: `field depth-${Math.min(depth, 3)}` }, h('span', { class: 'name', title: firstSentence(f.doc) }, f.name),
      h('span', { class: 'control dim' }, 'none'), h('span', { class: 'range' }), h('span', { class: 'key' }), h('span', { class: 'reset' })));
  }
  return rows;
}

/** What is in the hand, or half typed, in this part of the page. @param {Element} host */
function inHand(host) {
  return host.querySelector('.pulled') ?? host.querySelector('[data-dirty]:focus');
}

/** @type {WeakMap<Element, number>} */
const postponed = new WeakMap();

/**
 * Builds a part of the page anew. The focus goes back to the field that had it; what is half typed or being pulled is
 * not taken out of the hand: it is built when that is done.
 * @param {Element} host @param {() => void} build
 */
export function keepFocus(host, build) {
  clearTimeout(postponed.get(host));
  if (inHand(host) !== null) {
    postponed.set(host, setTimeout(() => keepFocus(host, build), 150));
    return;
  }
  const active = document.activeElement;
  const name = host.contains(active) ? active?.getAttribute('aria-label') : null;
  const marked = name && active instanceof HTMLInputElement && active.type === 'text' ? [active.selectionStart, active.selectionEnd] : null;
  const scroll = host.scrollTop;
  build();
  host.scrollTop = scroll;
  if (!name) return;
  const again = /** @type {HTMLElement | null} */ (host.querySelector(`[aria-label="${CSS.escape(name)}"]`));
  again?.focus({ preventScroll: true });
  if (marked !== null && again instanceof HTMLInputElement) again.setSelectionRange(marked[0], marked[1]);
}

/** @param {string} words @param {string} [value] @returns {Promise<string | null>} A name, asked for in a small dialog. */
export function askName(words, value = '') {
  const dialog = byId('ask');
  return new Promise((resolve) => {
    const input = h('input', { type: 'text', class: 'text', value, 'aria-label': words, autofocus: true });
    const form = h('form', { method: 'dialog', onsubmit: () => resolve(input.value.trim() || null) }, h('label', null, words, input),
      h('div', { class: 'row' }, h('button', { value: 'ok', class: 'main' }, 'OK'), h('button', { type: 'button', onclick: () => dialog.close() }, 'Cancel')));
    dialog.replaceChildren(form);
    dialog.onclose = () => resolve(null);
    dialog.showModal();
    input.select();
  });
}
