// The stack's text, with the faults at their lines. What is typed is written with Ctrl+S, as
// the one piece that differs.
import { byId, bytesText, fill, h } from './dom.js';
import { edit, model, on, say } from './model.js';

/** @type {HTMLElement} */
let host;
/** @type {HTMLTextAreaElement} */
let area;
let open = false;
/** The text that the area shows as it is in the file; what differs from it was typed. */
let base = '';

const typed = () => area.value !== base;

/** The piece that differs: as few characters as can be. @param {string} a @param {string} b */
export function difference(a, b) {
  let start = 0;
  const most = Math.min(a.length, b.length);
  while (start < most && a[start] === b[start]) ++start;
  let end = 0;
  while (end < most - start && a[a.length - 1 - end] === b[b.length - 1 - end]) ++end;
  // A pair of surrogates is not cut in two.
  const low = (/** @type {string} */ text, /** @type {number} */ i) => i > 0 && i < text.length && text.charCodeAt(i) >= 0xdc00 && text.charCodeAt(i) <= 0xdfff;
  while (start > 0 && (low(a, start) || low(b, start))) --start;
  while (end > 0 && (low(a, a.length - end) || low(b, b.length - end))) --end;
  return { offset: start, length: a.length - start - end, text: b.slice(start, b.length - end) };
}

export async function save() {
  if (!open || !typed()) return;
  const piece = difference(base, area.value);
  const wanted = area.value;
  if (await edit([{ kind: 'replace', ...piece }], 'typing')) {
    base = model.stack?.text ?? wanted;
    take();
  }
}

function take() {
  const stack = model.stack;
  if (stack === null || area === undefined) return;
  // A browser's text field is slow with so much; an editor is the tool for such a file.
  const large = !stack.whole;
  area.readOnly = stack.read_only || stack.state === 'unreadable' || large;
  if (large) {
    area.value = base = `${stack.text}\n...`;
    notice(`The file has ${bytesText(stack.bytes)}: too much to be typed in here. The first of it is shown; use an editor, the page follows.`);
  } else if (typed() && stack.text !== base) {
    if (stack.text === area.value) base = stack.text;
    else notice('The file was changed elsewhere while you typed. Your text stays here; "as in the file" drops it.');
  } else if (!typed()) {
    const at = [area.selectionStart, area.selectionEnd, area.scrollTop];
    area.value = base = stack.text;
    [area.selectionStart, area.selectionEnd, area.scrollTop] = at;
    notice('');
  }
  if (stack.state === 'unreadable') notice(`${stack.message} What was read before is still shown.`);
  lines();
  faults();
}

/** @param {string} text */
function notice(text) {
  const box = byId('text-notice');
  if (box === null) return;
  box.textContent = text;
  box.hidden = text === '';
}

/** Line numbers beside the text; those with a fault have a sign. */
function lines() {
  const count = area.value.split('\n').length;
  const bad = new Set((model.stack?.faults ?? []).map((fault) => fault.line));
  const gutter = byId('text-lines');
  const out = [];
  for (let i = 1; i <= count; ++i) out.push(bad.has(i) ? `▲ ${i}` : String(i));
  gutter.textContent = out.join('\n');
  gutter.scrollTop = area.scrollTop;
}

function faults() {
  const list = model.stack?.faults ?? [];
  fill(byId('text-faults'), list.length === 0 ? h('p', { class: 'dim' }, model.stack?.checked ? 'No faults.' : 'The daemon has not checked this text yet.')
    : h('ul', { class: 'problems' }, list.map((fault) => h('li', null, fault.line ? h('button', { class: 'link', onclick: () => goLine(fault.line ?? 1, fault.column ?? 1) }, `line ${fault.line}`) : null, ` ${fault.message}`))));
  byId('text-save').disabled = !typed() || area.readOnly;
  byId('text-drop').disabled = !typed();
}

/** @param {number} line @param {number} [column] @param {boolean} [focus] */
export function goLine(line, column = 1, focus = true) {
  const rows = area.value.split('\n');
  const start = rows.slice(0, line - 1).reduce((n, row) => n + row.length + 1, 0) + column - 1;
  if (focus) area.focus();
  area.setSelectionRange(start, start);
  const height = parseFloat(getComputedStyle(area).lineHeight);
  area.scrollTop = Math.max((line - 5) * height, 0);
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  area = h('textarea', { spellcheck: 'false', wrap: 'off', 'aria-label': 'Text of the stack', autocapitalize: 'off', autocomplete: 'off' });
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Text'), h('span', { class: 'row' },
    h('button', { class: 'main small', id: 'text-save', onclick: () => void save() }, 'Write (Ctrl+S)'),
    h('button', { class: 'small', id: 'text-drop', onclick: () => { area.value = base; take(); say('What was typed is dropped; the text is as in the file.'); } }, 'as in the file'))),
  h('p', { class: 'warning', id: 'text-notice', hidden: true, role: 'status' }),
  h('div', { class: 'text-box' }, h('pre', { id: 'text-lines', 'aria-hidden': 'true' }), area), h('div', { id: 'text-faults', 'aria-live': 'polite' }));
  area.addEventListener('scroll', () => { byId('text-lines').scrollTop = area.scrollTop; });
  area.addEventListener('input', () => {
    lines();
    faults();
  });
  area.addEventListener('keydown', (event) => {
    if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === 's') {
      event.preventDefault();
      void save();
    }
  });
  on('stack', take);
  on('faults', () => {
    lines();
    faults();
  });
  window.addEventListener('beforeunload', (event) => {
    if (typed()) event.preventDefault();
  });
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  if (!open) return;
  take();
  const line = model.stack?.faults.find((fault) => fault.line)?.line;
  if (line) goLine(line, 1, false);
}
