// The submissions of the stack: who handed in what and when, what changed in words, two of them
// beside each other, one taken back as text.
import * as api from './api.js';
import { byId, fill, h, secondsText, stateMark } from './dom.js';
import { edit, emit, find, model, on, say, sayError, show } from './model.js';
import { difference } from './text.js';

/** @typedef {import('./types.js').Version} Version @typedef {import('./types.js').Changes} Changes */

/** @type {HTMLElement} */
let host;
let open = false;
/** What is compared: from a version to another one, or (0) to what is in the editor. */
const pair = { from: 0, to: 0 };

// ---- the list ----------------------------------------------------------------------

let asking = false;
let askAgain = false;

/** Asks for the list, one question at a time. */
async function refresh() {
  if (asking) {
    askAgain = true;
    return;
  }
  asking = true;
  try {
    const reply = await api.get('versions');
    if (JSON.stringify(reply.versions) !== JSON.stringify(model.versions)) {
      model.versions = reply.versions;
      emit('versions');
    }
  } catch (error) {
    // Without a daemon the list stays as it was; the page says so at its top.
    if (open && /** @type {any} */ (error).status !== 503) sayError(error);
  }
  asking = false;
  if (askAgain) {
    askAgain = false;
    await refresh();
  }
}

/** The list where it is needed: in this view, and to choose what a picture is compared with. */
export function wantVersions() {
  if (model.session.mode !== 'farm' && model.daemon.state === 'here') void refresh();
}

/** @param {number} ms */
function when(ms) {
  const at = new Date(ms);
  const two = (/** @type {number} */ n) => String(n).padStart(2, '0');
  const time = `${two(at.getHours())}:${two(at.getMinutes())}`;
  return at.toDateString() === new Date().toDateString() ? time : `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${time}`;
}

/** @param {number} number */
export const nameOf = (number) => (number === 0 ? 'now' : `version ${number}`);

/** For choosing one: with its time and note. @param {Version} one */
export const optionWords = (one) => `${one.number}  ${when(one.submitted_unix_ms)}${one.note ? `  ${one.note.slice(0, 40)}` : ''}`;

// ---- what changed ------------------------------------------------------------------

/** By what is compared; null while it is asked for. @type {Map<string, Changes | null>} */
const known = new Map();
/** @typedef {{from: number, to: number, key: string, digest: string | undefined}} Wish */
/** @type {Wish[]} */
let wished = [];
let underWay = 0;
// Beside pictures: a browser has six connections to one server.
const kAtOnce = 2;
const kMostKnown = 2000;

/** @param {number} from @param {number} to */
const keyOf = (from, to) => `${from} ${to === 0 ? model.stack?.digest : to}`;

/** @param {number} from @param {number} to @param {boolean} [first] Before all others. @returns {Changes | null} */
function changesOf(from, to, first = false) {
  const key = keyOf(from, to);
  const changes = known.get(key);
  if (changes !== undefined) return changes;
  if (known.size > kMostKnown) known.clear();
  known.set(key, null);
  const one = { from, to, key, digest: to === 0 ? model.stack?.digest : undefined };
  if (first) wished.unshift(one);
  else wished.push(one);
  pump();
  return null;
}

function pump() {
  while (underWay < kAtOnce && wished.length > 0) {
    const { from, to, key, digest } = /** @type {Wish} */ (wished.shift());
    ++underWay;
    void (async () => {
      try {
        known.set(key, await api.get('changes', { from, to: to || undefined, digest }));
      } catch (error) {
        // 409: the stack has been changed meanwhile, and is asked for as it is now.
        if (/** @type {any} */ (error).status === 409) known.delete(key);
        else known.set(key, { changes: [], more: 0, fault: error instanceof Error ? error.message : String(error) });
      }
      --underWay;
      marks();
      if (from === pair.from && to === pair.to) buildPair();
      pump();
    })();
  }
}

/** @param {{where: string, text: string}} one */
const sentence = (one) => (one.where === '' ? one.text : `${one.where}: ${one.text}`);

/** @type {Map<number, {row: HTMLElement, words: HTMLElement, before: number, key: string}>} */
const rows = new Map();
/** @type {Set<number>} */
const visible = new Set();
const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const number = Number(/** @type {HTMLElement} */ (entry.target).dataset.number);
    if (entry.isIntersecting) visible.add(number);
    else visible.delete(number);
  }
  // What has been scrolled past is not asked for any more.
  for (const one of wished.filter(({ from, to }) => !(from === pair.from && to === pair.to) && !visible.has(to))) known.delete(one.key);
  wished = wished.filter(({ from, to }) => (from === pair.from && to === pair.to) || visible.has(to));
  marks();
});

/** Says of the rows that are seen what changed in them. */
function marks() {
  for (const number of visible) {
    const entry = rows.get(number);
    if (entry === undefined || entry.words.dataset.known) continue;
    if (entry.before === 0) {
      entry.words.textContent = 'the first that is remembered';
      entry.words.dataset.known = 'yes';
      continue;
    }
    const changes = changesOf(entry.before, number);
    if (changes === null) continue;
    const all = changes.changes.length + changes.more;
    entry.words.textContent = changes.fault ?? (all === 0 ? `the same settings as version ${entry.before}`
      : `${changes.changes.slice(0, 3).map(sentence).join('; ')}${all > 3 ? `; and ${all - 3} more` : ''}`);
    entry.words.title = changes.changes.slice(0, 40).map(sentence).join('\n');
    entry.words.dataset.known = 'yes';
  }
  // Rows grow by what is said in them; the one that somebody is at stays in view.
  const chosen = rows.get(pair.from)?.row;
  if (chosen !== undefined && chosen === document.activeElement) chosen.scrollIntoView({ block: 'nearest' });
}

function buildList() {
  const list = byId('version-list');
  if (list === null) return;
  const numbers = new Set(model.versions.map((one) => one.number));
  for (const [number, entry] of rows) {
    if (numbers.has(number)) continue;
    watcher.unobserve(entry.row);
    rows.delete(number);
    visible.delete(number);
  }
  list.replaceChildren(...model.versions.map((one, i) => {
    const before = model.versions[i + 1]?.number ?? 0;
    const key = JSON.stringify([one, before]);
    let entry = rows.get(one.number);
    if (entry === undefined || entry.key !== key) {
      if (entry !== undefined) watcher.unobserve(entry.row);
      entry = versionRow(one, before, key);
      rows.set(one.number, entry);
      watcher.observe(entry.row);
    }
    return entry.row;
  }));
  byId('version-none').hidden = model.versions.length > 0;
  chooseMarks();
}

/** @param {Version} one @param {number} before @param {string} key */
function versionRow(one, before, key) {
  const running = one.state === '';
  const state = running ? stateMark('rendering', 'not over') : stateMark(/** @type {Record<string, string>} */ ({ done: 'done', failed: 'failed', cancelled: 'muted' })[one.state] ?? 'none', one.state);
  const words = h('span', { class: 'version-words' });
  const note = [one.size, one.note].filter(Boolean).join('  ');
  const row = h('div', { class: 'version-row', role: 'option', tabindex: -1, 'data-number': one.number,
    title: running ? '' : `job ${one.job}: ${one.rendered} rendered, ${one.reused} reused in ${secondsText(one.seconds)}`,
    onclick: () => choose(one.number) },
  h('span', { class: 'version-number' }, one.number), h('span', { class: 'version-when' }, when(one.submitted_unix_ms)),
  h('span', { class: 'version-who' }, one.owner), state,
  note || one.set.length > 0 ? h('span', { class: 'version-note' }, note, one.set.length > 0 ? h('span', { class: 'dim' }, `${note ? '  ' : ''}--set ${one.set.join(' --set ')}`) : null) : null,
  words);
  return { row, words, before, key };
}

/** @param {number} from */
function choose(from) {
  pair.from = from;
  chooseMarks();
  buildPair();
}

function chooseMarks() {
  if (!rows.has(pair.from)) pair.from = model.versions[0]?.number ?? 0;
  if (pair.to !== 0 && !rows.has(pair.to)) pair.to = 0;
  for (const [number, { row }] of rows) {
    row.classList.toggle('is-chosen', number === pair.from);
    row.setAttribute('aria-selected', String(number === pair.from));
    row.tabIndex = number === pair.from ? 0 : -1;
  }
}

// ---- two of them --------------------------------------------------------------------

/** @param {'from' | 'to'} which */
function chooser(which) {
  return h('select', { 'aria-label': which === 'from' ? 'Compare this version' : 'with this one', onchange: (/** @type {any} */ event) => {
    pair[which] = Number(event.target.value);
    chooseMarks();
    buildPair();
  } },
  which === 'to' ? h('option', { value: 0, selected: pair.to === 0 }, 'what is in the editor') : null,
  model.versions.map((one) => h('option', { value: one.number, selected: one.number === pair[which] }, optionWords(one))));
}

/** Both in the picture. @param {'wipe' | 'flip' | 'difference'} compare */
function picture(compare) {
  show({ version: pair.to, otherVersion: pair.from, other: '', compare, flipped: compare === 'flip' });
}

function buildPair() {
  const box = byId('version-pair');
  if (box === null || !open) return;
  box.hidden = model.versions.length === 0;
  if (box.hidden || pair.from === 0) return;
  const active = box.contains(document.activeElement) ? document.activeElement?.getAttribute('aria-label') : null;
  const changes = pair.from === pair.to ? { changes: [], more: 0 } : changesOf(pair.from, pair.to, true);
  const off = find(model.shown) === null || pair.from === pair.to;
  const words = `${nameOf(pair.from)} to ${pair.to === 0 ? 'what is in the editor' : nameOf(pair.to)}`;
  fill(box,
    h('div', { class: 'version-choice' }, h('label', { class: 'dim' }, 'from ', chooser('from')), h('label', { class: 'dim' }, 'to ', chooser('to'))),
    h('div', { class: 'row' },
      /** @type {const} */ (['wipe', 'flip', 'difference']).map((how) => h('button', { class: 'small', disabled: off, 'aria-label': `${how} of ${model.shown}, ${words}`, title: `${model.shown} of both in the picture`, onclick: () => picture(how) }, how)),
      h('button', { class: 'small', id: 'take-back', disabled: model.stack?.read_only || model.session.mode !== 'stack', title: 'The text of the stack becomes that of this version; undo brings the present one again', onclick: () => void takeBack(pair.from) }, `take version ${pair.from} back`)),
    changes === null ? h('p', { class: 'dim' }, 'Looking what changed.')
      : changes.fault ? h('p', { class: 'fault' }, changes.fault)
        : changes.changes.length === 0 ? h('p', { class: 'dim' }, `The settings are the same, ${words}.`)
          : h('dl', { class: 'version-changes', 'aria-label': `What changed, ${words}` }, grouped(changes).map(([where, texts]) =>
            h('div', null, h('dt', null, where || 'the shot'), h('dd', null, texts.map((text) => h('span', null, text)))))),
    changes !== null && changes.more > 0 ? h('p', { class: 'dim' }, `And ${changes.more} more.`) : null);
  if (active) /** @type {HTMLElement | null} */ (box.querySelector(`[aria-label="${CSS.escape(active)}"]`))?.focus({ preventScroll: true });
}

/** @param {Changes} changes @returns {[string, string[]][]} */
function grouped(changes) {
  /** @type {Map<string, string[]>} */
  const groups = new Map();
  for (const one of changes.changes) groups.set(one.where, [...(groups.get(one.where) ?? []), one.text]);
  return [...groups];
}

/** @param {number} number */
async function takeBack(number) {
  const stack = model.stack;
  if (stack === null || number === 0) return;
  try {
    const version = model.versions.find((one) => one.number === number);
    const [reply, here] = await Promise.all([api.get('version', { number }), stack.whole ? stack : api.get('text')]);
    if (here.digest !== stack.digest) return say('The file was changed elsewhere meanwhile: nothing was taken back.', 'fault');
    if (reply.text === here.text) {
      say(`The text is that of version ${number} already.`);
      return;
    }
    if (!await edit([{ kind: 'replace', ...difference(here.text, reply.text) }], `take back version ${number}`, undefined, stack)) return;
    let words = `The stack has the text of version ${number} again; undo brings back what stood there.`;
    if (!reply.handed_in) words = `Version ${number} was handed in without its text: what stands there now was written from its settings, without comments. Undo brings back what stood there.`;
    else if ((version?.set.length ?? 0) > 0) words += ' What was changed with --set stands at its top as comments.';
    say(words);
  } catch (error) {
    sayError(error);
  }
}

// ---- the view -----------------------------------------------------------------------

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  const list = h('div', { id: 'version-list', role: 'listbox', 'aria-label': 'Versions, newest first' });
  fill(host, h('section', { id: 'version-pair', class: 'step', hidden: true }), h('p', { class: 'note', id: 'version-none' }, 'No version of this stack is remembered: submit it.'), list);
  list.addEventListener('keydown', (/** @type {KeyboardEvent} */ event) => {
    const by = { ArrowDown: 1, ArrowUp: -1, Home: -1e9, End: 1e9 }[event.key];
    if (by === undefined || model.versions.length === 0) return;
    event.preventDefault();
    const at = model.versions.findIndex((one) => one.number === pair.from);
    choose(model.versions[Math.min(Math.max(at + by, 0), model.versions.length - 1)].number);
    rows.get(pair.from)?.row.focus();
  });
  on('versions', () => {
    buildList();
    buildPair();
  });
  on('stack', () => { if (open && pair.to === 0) buildPair(); });
  on('look', () => { if (open) buildPair(); });
  // A submission begins or ends.
  let heard = '';
  on('jobs job', () => {
    const mine = JSON.stringify(model.jobs.filter((job) => job.stack_name === model.stack?.name).map((job) => [job.job_id, job.state]));
    if (mine === heard) return;
    heard = mine;
    if (open || model.compare !== 'none') wantVersions();
  });
  on('daemon', () => {
    known.clear();
    if (open) wantVersions();
  });
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  if (!open) return;
  wantVersions();
  buildList();
  buildPair();
}
