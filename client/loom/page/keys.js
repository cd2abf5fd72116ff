// The keyboard: one table, from which the help is made too.
import { byId, fill, h } from './dom.js';

/** @typedef {{keys: string[], group: string, words: string, run: (event: KeyboardEvent) => void}} Binding */

/** @type {Binding[]} */
const bindings = [];

/**
 * @param {string} keys Names apart by a space: "ArrowLeft ,". "Shift+", "Ctrl+" and "Alt+" may go before;
 *     Ctrl is also the command key.
 * @param {string} group @param {string} words @param {(event: KeyboardEvent) => void} run
 */
export function bind(keys, group, words, run) {
  bindings.push({ keys: keys.split(' '), group, words, run });
}

/** @param {KeyboardEvent} event */
function nameOf(event) {
  const letter = event.key.length === 1;
  // A letter says by itself whether Shift is down, except with Ctrl.
  const key = letter ? (event.ctrlKey || event.metaKey ? event.key.toLowerCase() : event.key) : event.key;
  return `${event.ctrlKey || event.metaKey ? 'Ctrl+' : ''}${event.altKey ? 'Alt+' : ''}${
    event.shiftKey && (!letter || event.ctrlKey || event.metaKey) ? 'Shift+' : ''}${key === ' ' ? 'Space' : key}`;
}

/** Keys that a focused control needs for itself. @param {Element | null} target @param {string} name */
function isTaken(target, name) {
  if (!(target instanceof HTMLElement)) return false;
  if (target.matches('input:not([type=checkbox]):not([type=radio]):not([type=range]), textarea')) {
    return !/^(Ctrl\+(s|Enter)|F\d+|Escape)$/.test(name);
  }
  if (target.matches('select')) return /^(Arrow|Home|End|Space|Enter|[^ +]$)/.test(name);
  if (target.matches('input')) return /^(Shift\+)?(Arrow|Home|End|Space|Page)/.test(name);
  if (target.matches('button, a, summary, [role=tab]')) return name === 'Space' || name === 'Enter';
  if (target.matches('[role=grid], [role=grid] *, [role=listbox], [role=listbox] *')) {
    return /^(Arrow|Home|End|Enter$|Space$)/.test(name);
  }
  return false;
}

export function listen() {
  document.addEventListener('keydown', (event) => {
    if (event.defaultPrevented) return;
    const name = nameOf(event);
    const dialog = /** @type {HTMLDialogElement | null} */ (document.querySelector('dialog[open]'));
    if (dialog !== null || isTaken(document.activeElement, name)) return;
    const binding = bindings.find((one) => one.keys.includes(name));
    if (binding === undefined) return;
    event.preventDefault();
    binding.run(event);
  });
}

/** @type {Record<string, string>} */
const kNames = { ArrowLeft: '←', ArrowRight: '→', ArrowUp: '↑', ArrowDown: '↓', Escape: 'Esc', ' ': 'Space' };

/** @param {string} keys */
function shown(keys) {
  return keys.split(/\+(?!$)/).map((key) => h('kbd', null, kNames[key] ?? key));
}

export function showHelp() {
  const dialog = byId('help');
  const groups = [...new Set(bindings.map((one) => one.group))];
  fill(dialog,
    h('div', { class: 'dialog-head' }, h('h2', null, 'Keys'),
      h('button', { onclick: () => dialog.close(), autofocus: true }, 'Close')),
    h('div', { class: 'help-columns' }, groups.map((group) =>
      h('section', null, h('h3', null, group), h('dl', null, bindings.filter((one) => one.group === group).map((one) =>
        h('div', null, h('dt', null, one.keys.map((key, i) => [i > 0 ? ' or ' : null, shown(key)])), h('dd', null, one.words))))))));
  dialog.showModal();
}
