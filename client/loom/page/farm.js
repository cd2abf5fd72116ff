// The farm: jobs, workers, the cache; what is wrong comes first.
import * as api from './api.js';
import * as begin from './begin.js';
import { bytesText, fill, h, secondsText, stateMark } from './dom.js';
import { model, on, sayError } from './model.js';

/** @type {HTMLElement} */
let host;
let open = false;
let timer = 0;
let mine = false;
/** @type {any[]} */
let workers = [];
/** @type {any} */
let cache = null;
let failure = '';

async function ask() {
  clearTimeout(timer);
  if (!open) return;
  try {
    const [w, c] = await Promise.all([api.get('workers'), api.get('cache')]);
    workers = w.worker ?? [];
    cache = c;
    failure = '';
  } catch (error) {
    failure = error instanceof Error ? error.message : String(error);
  }
  build();
  timer = setTimeout(() => void ask(), 3000);
}

/** @param {import('./types.js').Job} job */
function jobRow(job) {
  const own = job.owner === model.session.owner;
  const active = job.state === 'running' || job.state === 'inspecting';
  const submitted = job.submitted_unix_ms > 0 ? new Date(job.submitted_unix_ms) : null;
  return h('tr', { class: own ? 'is-own' : '' },
    h('td', null, stateMark({ inspecting: 'waiting', running: 'rendering', done: 'done', failed: 'failed', cancelled: 'muted' }[job.state] ?? 'none', job.state === 'inspecting' ? 'reading plates' : job.state)),
    h('td', null, job.stack_name), h('td', null, h('code', null, job.job_id)), h('td', null, job.owner),
    h('td', { class: 'right', title: submitted?.toLocaleString() ?? '' }, submitted ? submitted.toTimeString().slice(0, 5) : ''),
    h('td', { class: 'right' }, secondsText(job.seconds)), h('td', { class: 'right' }, active && job.seconds_left > 0 ? secondsText(job.seconds_left) : ''),
    h('td', null, active ? h('button', { class: 'small', onclick: () => api.post('cancel', { job: job.job_id }).catch(sayError) }, 'cancel') : null));
}

/** What is wrong, in sentences. */
function problems() {
  /** @type {string[]} */
  const found = [];
  if (!model.loomHere || model.daemon.state !== 'here') found.push(model.daemon.message || 'The daemon does not answer.');
  if (failure !== '') found.push(failure);
  for (const job of model.jobs.slice(0, 20)) {
    if (job.state !== 'failed') continue;
    const problem = job.problem?.[0] ?? (model.job?.job_id === job.job_id ? model.job.problem[0] : undefined);
    found.push(`Job ${job.job_id} of ${job.stack_name} failed${problem ? `: ${problem}` : '.'}`);
  }
  const slots = workers.reduce((n, one) => n + (one.draining ? 0 : one.slots), 0);
  if (model.daemon.state === 'here' && failure === '' && workers.length === 0) found.push('No worker is connected: nothing can be rendered.');
  else if (slots === 0 && workers.length > 0) found.push('All workers are draining: nothing new is rendered.');
  for (const one of workers) if (one.seconds_since_report > 15) found.push(`Worker ${one.name} has said nothing for ${secondsText(one.seconds_since_report)}.`);
  if (cache?.damaged > 0) found.push(`${cache.damaged} tiles in the cache did not match their digest and were deleted; they are rendered again when needed.`);
  if (cache && cache.budget_bytes > 0 && cache.bytes > 0.95 * cache.budget_bytes) found.push('The cache is nearly full: the oldest results go to make room.');
  return found;
}

function build() {
  if (!open) return;
  const wrong = problems();
  const jobs = model.jobs.filter((job) => !mine || job.owner === model.session.owner);
  // What runs and what failed before what is done.
  const rank = (/** @type {import('./types.js').Job} */ job) => ({ running: 0, inspecting: 0, failed: 1 }[/** @type {string} */ (job.state)] ?? 2);
  const scroller = /** @type {HTMLElement} */ (host.closest('.view'));
  const scroll = scroller.scrollTop;
  fill(host, h('header', { class: 'inspector-head' }, h('h2', null, 'Farm'), h('span', { class: 'dim' }, model.daemon.server || model.session.server)),
    wrong.length === 0 ? h('p', { class: 'note' }, stateMark('done', 'nothing is wrong')) : h('ul', { class: 'problems' }, wrong.map((text) => h('li', null, stateMark('failed', 'problem', true), ' ', text))),
    h('section', null, h('header', { class: 'row' }, h('h3', null, 'Jobs'), h('label', { class: 'check' }, h('input', { type: 'checkbox', checked: mine, onchange: (/** @type {any} */ e) => { mine = e.target.checked; build(); } }), 'only mine')),
      jobs.length === 0 ? h('p', { class: 'dim' }, 'No job has been submitted.') : h('div', { class: 'table-scroll' }, h('table', null, h('thead', null, h('tr', null, ['state', 'stack', 'job', 'owner'].map((t) => h('th', { scope: 'col' }, t)), ['at', 'took', 'left'].map((t) => h('th', { scope: 'col', class: 'right' }, t)), h('th', null, h('span', { class: 'unseen' }, 'cancel')))),
        h('tbody', null, [...jobs].sort((a, b) => rank(a) - rank(b)).slice(0, 100).map(jobRow))))),
    h('section', null, h('h3', null, 'Workers'),
      workers.length === 0 ? h('p', { class: 'dim' }, 'none') : h('div', { class: 'table-scroll' }, h('table', null, h('thead', null, h('tr', null, h('th', { scope: 'col' }, 'worker'), h('th', { scope: 'col' }, 'does'), ['tasks done', 'last heard'].map((t) => h('th', { scope: 'col', class: 'right' }, t)))),
        h('tbody', null, workers.map((one) => h('tr', null, h('td', null, one.name || one.worker_id),
          h('td', null, stateMark(one.draining ? 'muted' : one.running > 0 ? 'rendering' : 'waiting', one.draining ? 'draining' : one.running > 0 ? `renders ${one.running} of ${one.slots} at once` : `free, ${one.slots} at once`)),
          h('td', { class: 'right' }, one.done), h('td', { class: 'right' }, `${secondsText(one.seconds_since_report)} ago`))))))),
    cache === null ? null : h('section', null, h('h3', null, 'Cache'),
      h('p', null, `${bytesText(cache.bytes)} of ${bytesText(cache.budget_bytes)}, ${cache.results} results in ${cache.tiles} tiles. `,
        cache.hits + cache.misses > 0 ? `${Math.round((100 * cache.hits) / (cache.hits + cache.misses))} % of what was asked for was held.` : ''),
      h('progress', { max: Math.max(cache.budget_bytes, 1), value: cache.bytes, 'aria-label': 'How full the cache is' }),
      (cache.pass ?? []).length === 0 ? null : h('div', { class: 'table-scroll' }, h('table', null, h('thead', null, h('tr', null, h('th', { scope: 'col' }, 'pass'), ['frames', 'size', 'took', 'reuse saved'].map((t) => h('th', { scope: 'col', class: 'right' }, t)), h('th', { scope: 'col' }, 'keep'))),
        h('tbody', null, [...cache.pass].sort((a, b) => b.bytes - a.bytes).map((one) => h('tr', null, h('td', null, one.pass), h('td', { class: 'right' }, one.frames), h('td', { class: 'right' }, bytesText(one.bytes)),
          h('td', { class: 'right' }, secondsText(one.render_seconds)), h('td', { class: 'right' }, secondsText(one.seconds_saved)), h('td', null, String(one.keep).toLowerCase()))))))));
  scroller.scrollTop = scroll;
}

/** @param {HTMLElement} element */
export function start(element) {
  host = element;
  if (model.session.mode === 'farm') {
    // What is typed in there outlives the news of the farm.
    host = h('div', { class: 'farm-news' });
    element.append(begin.build(), host);
  }
  on('jobs job daemon', build);
}

/** @param {boolean} is */
export function setOpen(is) {
  open = is;
  build();
  void ask();
}

