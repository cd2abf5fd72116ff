// Fetch: where the deliverables are, what is whole, what is missing; and bringing them home.
import * as api from './api.js';
import { fill, h, stateMark } from './dom.js';
import { model, on, say, sayError } from './model.js';

/** @type {HTMLElement} */
let host;
let open = false;
let running = '';
let words = '';
let overwrite = false;
/** @type {any} */
let answer = null;
let failure = '';
/** @type {any} */
let outcome = null;

async function ask() {
  if (!open || model.session.mode === 'farm') return;
  try {
    answer = await api.get('deliverables', {});
    failure = '';
  } catch (error) {
    failure = error instanceof Error ? error.message : String(error);
  }
  build();
}

/** @param {string} [name] */
async function bring(name) {
  try {
    outcome = null;
    const reply = await api.post('fetch', { ...(answer?.job ? { job: answer.job } : {}), ...(name ? { deliverable: name } : {}), overwrite });
    running = reply.id;
    words = 'Fetching.';
    build();
    await poll();
  } catch (error) {
    sayError(error);
  }
}

async function poll() {
  if (running === '') return;
  const reply = await api.get('fetch', { id: running });
  words = reply.state === 'running' ? `${reply.done} of ${reply.of} files are fetched.` : reply.state === 'failed' ? reply.message : `${reply.done} of ${reply.of} files are fetched and verified.`;
  outcome = reply;
  if (reply.state !== 'running') {
    running = '';
    say(words, reply.state === 'failed' ? 'fault' : 'note');
    await ask();
  }
  build();
}

/** A path as the stack has it: from its own folder on. @param {string} path */
function beside(path) {
  const folder = model.session.path.replace(/[^/]*$/, '');
  return folder !== '' && path.startsWith(folder) ? path.slice(folder.length) : path;
}

function build() {
  if (!open) return;
  const list = answer?.deliverable ?? [];
  const newest = model.job;
  const active = newest !== null && (newest.state === 'running' || newest.state === 'inspecting');
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Fetch'), answer?.job ? h('span', { class: 'dim' }, `of job ${answer.job}${active && newest?.job_id === answer.job ? ', which is still running' : ''}`) : null),
    failure !== '' ? h('p', { class: 'note' }, failure) : null, words !== '' ? h('p', { class: 'note', role: 'status' }, words) : null,
    model.plan.size > 0 && [...model.plan.values()].some((line) => line.render > 0) && newest !== null && !active ? h('p', { class: 'warning' }, 'The stack has changed since this job: submit it, and what is fetched is as you see it.') : null,
    list.length === 0 && failure === '' ? h('p', { class: 'dim' }, 'Nothing has been delivered yet. Deliverables come with a job; submit the stack first.') : null,
    list.length === 0 ? null : h('div', { class: 'table-scroll' }, h('table', null,
      h('thead', null, h('tr', null, ['deliverable', 'on this machine', 'files', ''].map((t) => h('th', { scope: 'col' }, t)))),
      h('tbody', null, list.map((/** @type {any} */ one) => h('tr', null, h('td', null, one.name),
        h('td', null, stateMark(one.missing === 0 ? 'held' : one.there > 0 ? 'partly' : 'waiting', one.missing === 0 ? `whole, ${one.there} frames` : one.there > 0 ? `${one.there} there, ${one.missing} missing` : `none of ${one.missing} there`)),
        h('td', { class: 'wide' }, h('code', { title: one.files }, beside(one.files)), h('span', { class: 'dim' }, ` ${one.first}-${one.last}`)),
        h('td', null, h('button', { class: 'small', disabled: running !== '', onclick: () => void bring(one.name) }, 'fetch'))))))),
    list.length === 0 ? null : h('div', { class: 'row' }, h('button', { class: 'main', disabled: running !== '', onclick: () => void bring() }, 'Fetch all'),
      h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: overwrite, onchange: (/** @type {any} */ e) => { overwrite = e.target.checked; } }), 'also replace files that something else wrote')),
    outcome === null ? null : h('details', { open: outcome.state === 'failed' }, h('summary', null, 'File by file'),
      (outcome.deliverable ?? []).map((/** @type {any} */ one) => h('ul', { class: 'files' }, (one.file ?? []).slice(0, 2000).map((/** @type {any} */ file) => h('li', null, `${file.path}: ${file.state}`))))));
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  let timer = 0;
  on('fetch', () => {
    if (model.fetchEvent?.id !== running) return;
    clearTimeout(timer);
    timer = setTimeout(() => poll().catch(sayError), model.fetchEvent.state === 'running' ? 300 : 0);
  });
  let state = '';
  on('job', () => {
    const now = `${model.job?.job_id} ${model.job?.state}`;
    if (now !== state) {
      state = now;
      void ask();
    }
  });
  on('plan', build);
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  build();
  void ask();
}
