// What the page knows: the stack, the language, the daemon, the jobs, and what is being
// looked at. Views read it, listen for changes, and change the stack only through `edit`.
import * as api from './api.js';
import { LoomError } from './api.js';

/**
 * @typedef {import('./types.js').Stack} Stack
 * @typedef {import('./types.js').Pass} Pass
 * @typedef {import('./types.js').Job} Job
 * @typedef {import('./types.js').Language} Language
 * @typedef {import('./types.js').LanguageField} LanguageField
 */

export const model = {
  session: /** @type {import('./types.js').Session} */ (/** @type {unknown} */ (null)),
  language: /** @type {Language} */ ({ operators: {}, blocks: {} }),
  stack: /** @type {Stack | null} */ (null),
  /** The loom answers; the daemon answers. */
  loomHere: true,
  daemon: { state: 'here', server: '', message: '' },
  jobs: /** @type {Job[]} */ ([]),
  /** The newest job of this stack, with pass lines. */
  job: /** @type {Job | null} */ (null),
  plan: /** @type {Map<string, import('./types.js').PassPlan>} */ (new Map()),
  planFor: '',
  report: /** @type {any} */ (null),
  reportEvent: /** @type {any} */ (null),
  fetchEvent: /** @type {any} */ (null),
  /** Submissions of this stack, newest first. */
  versions: /** @type {import('./types.js').Version[]} */ ([]),
  /** Changes that could not be written yet. */
  waiting: 0,

  // What is looked at.
  shown: '',
  frame: 0,
  as: 'checker',
  over: '',
  stops: 0,
  gamma: 1,
  channel: 'all',
  compare: /** @type {'none' | 'wipe' | 'flip' | 'difference'} */ ('none'),
  other: '',
  otherAs: '',
  /** Of which version the picture is, and that which it is compared with; 0: what is in the editor. */
  version: 0,
  otherVersion: 0,
  wipe: 0.5,
  flipped: false,
  outlines: true,
  tint: '',
  /** Values that are tried while something is pulled: PATH=VALUE. */
  trying: /** @type {string[]} */ ([]),
  without: /** @type {string[]} */ ([]),
  /** Passes that are left out for looking, and the one that is looked at alone. */
  leftOut: /** @type {string[]} */ ([]),
  solo: '',
};

/** @type {Map<string, Set<(data?: any) => void>>} */
const listeners = new Map();

/** @param {string} kinds Apart by spaces. @param {(data?: any) => void} run */
export function on(kinds, run) {
  for (const kind of kinds.split(' ')) {
    let set = listeners.get(kind);
    if (set === undefined) listeners.set(kind, (set = new Set()));
    set.add(run);
  }
}

/** @param {string} kind @param {any} [data] */
export function emit(kind, data) {
  for (const run of listeners.get(kind) ?? []) run(data);
}

/** Says something in words, at the foot of the page and to screen readers. @param {string} text @param {'note' | 'fault'} [sort] */
export function say(text, sort = 'note') {
  emit('say', { text, sort });
}

/** @param {unknown} error */
export function sayError(error) {
  if (error instanceof DOMException && error.name === 'AbortError') return;
  say(error instanceof Error ? error.message : String(error), 'fault');
}

// ---- what is in the stack ------------------------------------------------------

/** @param {string} name */
export function find(name) {
  const stack = model.stack;
  if (stack === null) return null;
  const pass = stack.passes.find((one) => one.name === name);
  if (pass) return { sort: /** @type {const} */ ('pass'), block: pass, gives: pass.gives };
  const plate = stack.plates.find((one) => one.name === name);
  if (plate) return { sort: /** @type {const} */ ('plate'), block: plate, gives: plate.fields.alpha?.value === 'MATTE_ONLY' ? 'matte' : 'opaque' };
  const mask = stack.masks.find((one) => one.name === name);
  if (mask) return { sort: /** @type {const} */ ('mask'), block: mask, gives: 'matte' };
  return null;
}

/** Names of what can be an input: plates, masks, passes in working order, those only that fit. @param {string[]} [kinds] @param {string} [except] Not what is made from this pass. */
export function names(kinds, except) {
  const stack = model.stack;
  if (stack === null) return { plates: [], masks: [], passes: [] };
  const after = except ? dependentsOf(except) : new Set();
  /** @param {string} name */
  const fits = (name) => {
    if (name === except || after.has(name)) return false;
    const gives = find(name)?.gives ?? '';
    if (!kinds || kinds.length === 0 || gives === '') return true;
    return kinds.includes(gives) || (gives === 'opaque' && (kinds.includes('straight') || kinds.includes('premultiplied')));
  };
  return {
    plates: stack.plates.map((one) => one.name).filter(fits),
    masks: stack.masks.map((one) => one.name).filter(fits),
    passes: passOrder().filter(fits),
  };
}

/** Passes in working order. @returns {string[]} */
export function passOrder() {
  const stack = model.stack;
  if (stack === null) return [];
  const known = new Set(stack.passes.map((one) => one.name));
  const order = (stack.order ?? []).filter((name) => known.has(name));
  const listed = new Set(order);
  return [...order, ...stack.passes.map((one) => one.name).filter((name) => !listed.has(name))];
}

/** All that is made from something, near and far. @param {string} name */
export function dependentsOf(name) {
  /** @type {Set<string>} */
  const found = new Set();
  const todo = [name];
  for (let one = todo.pop(); one !== undefined; one = todo.pop()) {
    for (const pass of model.stack?.passes ?? []) {
      if (found.has(pass.name) || !(pass.inputs ?? []).includes(one)) continue;
      found.add(pass.name);
      todo.push(pass.name);
    }
    for (const mask of model.stack?.masks ?? []) {
      if (found.has(mask.name) || mask.fields.follow?.fields?.picture?.value !== one) continue;
      found.add(mask.name);
      todo.push(mask.name);
    }
  }
  return found;
}

/** All that something is made from, near and far, passes only, and it itself. @param {string} name */
function madeFrom(name) {
  /** @type {Set<string>} */
  const found = new Set();
  const todo = [name];
  for (let one = todo.pop(); one !== undefined; one = todo.pop()) {
    const what = find(one);
    if (what === null || found.has(one)) continue;
    found.add(one);
    if (what.sort === 'pass') todo.push(.../** @type {Pass} */ (what.block).inputs ?? []);
    else if (what.sort === 'mask' && what.block.fields.follow?.fields?.picture?.value) todo.push(what.block.fields.follow.fields.picture.value);
  }
  return found;
}

/** Whether what a pass comes from can stand in for it: it must be of the same kind. @param {string} name */
export function canLeaveOut(name) {
  const what = find(name);
  if (what?.sort !== 'pass') return false;
  const pass = /** @type {Pass} */ (what.block);
  const from = find(pass.from)?.gives ?? '';
  return pass.steps.length > 0 && from !== '' && (from === pass.gives || (from === 'opaque' && (pass.gives === 'straight' || pass.gives === 'premultiplied')));
}

/** More passes than this make an address too long. */
const kMostLeftOut = 400;
let quiet = { for: '', paths: /** @type {string[]} */ ([]) };

/** The passes that have no effect on what is looked at, as paths: those left out, and with a solo all others on the way. */
export function quietPasses() {
  if (model.solo === '' && model.leftOut.length === 0) return [];
  const key = JSON.stringify([model.stack?.digest, model.shown, model.solo, model.leftOut]);
  if (quiet.for === key) return quiet.paths;
  const names = model.solo === '' ? model.leftOut : [...madeFrom(model.shown)].filter((name) => name !== model.solo && canLeaveOut(name));
  quiet = { for: key, paths: names.slice(0, kMostLeftOut).map((name) => /** @type {any} */ (find(name)).block.path) };
  return quiet.paths;
}

/** @returns {number[]} */
export function frames() {
  const range = model.stack?.frames;
  if (!range || !(range.last >= range.first)) return [];
  return Array.from({ length: Math.min(range.last - range.first + 1, 100000) }, (_, i) => range.first + i);
}

// ---- the stack comes in --------------------------------------------------------

/** What of the old stack has other pixels now. @param {Stack | null} before @param {Stack} after */
function changedNames(before, after) {
  /** @type {Set<string>} */
  const changed = new Set();
  /** @param {Stack | null} stack */
  const all = (stack) => new Map(/** @type {any[]} */ ([...(stack?.plates ?? []), ...(stack?.masks ?? []), ...(stack?.passes ?? [])]).map((one) => [one.name, one]));
  const old = all(before);
  const whole = JSON.stringify([before?.frames, before?.format]) !== JSON.stringify([after.frames, after.format]);
  for (const [name, block] of all(after)) {
    const was = old.get(name);
    if (whole || was === undefined || was.mark !== block.mark || was.gives !== block.gives) changed.add(name);
  }
  for (const name of [...changed]) dependentsOf(name).forEach((one) => changed.add(one));
  return changed;
}

/** @param {Stack} stack @param {string} by */
export function takeStack(stack, by) {
  const before = model.stack;
  model.stack = { ...stack, plates: stack.plates ?? [], masks: stack.masks ?? [], passes: stack.passes ?? [], deliverables: stack.deliverables ?? [], faults: stack.faults ?? [] };
  const changed = changedNames(before, model.stack);
  // What was tried is written now, or is no longer.
  if (by !== 'start') model.trying = [];
  // Who changes the stack looks at the stack.
  if (by !== 'start' && changed.size > 0) model.version = 0;
  settle();
  emit('stack', { by, changed, before });
  takeFaults();
}

/** The size of the format where the stack does not say it: that of its first plate, which the daemon reads. @type {{for: string, size: {width: number, height: number} | null, known: Promise<void>}} */
let asked = { for: '', size: null, known: Promise.resolve() };

/** Asks for the format where the stack does not say it. The promise ends when it is known, or cannot be. */
export function formatKnown() {
  const stack = model.stack;
  if (stack === null || stack.state !== 'good' || stack.format?.width) return Promise.resolve();
  const first = stack.plates[0]?.mark ?? '';
  if (asked.for !== first) {
    const one = { for: first, size: asked.size, known: Promise.resolve() };
    one.known = api.get('format').then((size) => {
      one.size = size;
      if (asked === one) emit('format');
    }).catch(() => {
      // It is asked again with the next picture.
      if (asked === one) asked = { ...asked, for: '' };
    });
    asked = one;
  }
  return asked.known;
}

/** @returns {{width: number, height: number} | null} */
export function format() {
  const of = model.stack?.format;
  return of?.width && of.height ? { width: of.width, height: of.height } : asked.size;
}

/** What is shown must be there; else the nearest thing that is. */
function settle() {
  const stack = model.stack;
  if (stack === null) return;
  if (model.shown === '' || find(model.shown) === null) {
    const order = passOrder();
    model.shown = order[order.length - 1] ?? stack.plates[0]?.name ?? stack.masks[0]?.name ?? '';
  }
  if (model.other !== '' && find(model.other) === null) model.other = '';
  if (model.over !== '' && find(model.over) === null) model.over = '';
  model.leftOut = model.leftOut.filter(canLeaveOut);
  if (find(model.solo)?.sort !== 'pass') model.solo = '';
  const range = stack.frames;
  if (range && !(model.frame >= range.first && model.frame <= range.last)) {
    model.frame = Math.min(Math.max(model.frame || range.first, range.first), range.last);
  }
}

/** @type {Promise<void> | null} */
let fetching = null;
let again = '';

/** @param {string} by */
export async function fetchStack(by) {
  if (fetching !== null) {
    again = by;
    return fetching;
  }
  fetching = (async () => {
    try {
      takeStack(await api.get('stack'), by);
    } catch (error) {
      sayError(error);
    }
  })();
  await fetching;
  fetching = null;
  if (again !== '') {
    const next = again;
    again = '';
    await fetchStack(next);
  }
}

// ---- changing it ---------------------------------------------------------------

/**
 * The same place in another text of the stack: blocks are known by their names, steps by their operator. Null where it
 * is no longer there.
 * @param {string} path @param {Stack | null} from @param {Stack | null} to
 * @returns {string | null}
 */
function relocated(path, from, to) {
  const match = /^(plate|mask|pass|deliver)\[(\d+)\](?:\.(step|shape)\[(\d+)\])?(.*)$/.exec(path);
  if (match === null || from === to || from === null || to === null) return path;
  const [, list, index, inner, entry, rest] = match;
  const lists = (/** @type {Stack} */ stack) => ({ plate: stack.plates, mask: stack.masks, pass: stack.passes, deliver: stack.deliverables }[list] ?? []);
  const block = lists(from)[Number(index)];
  const at = lists(to).findIndex((one) => one.name === block?.name);
  if (block === undefined || at < 0) return null;
  if (inner === undefined) return `${list}[${at}]${rest}`;
  let number = Number(entry);
  if (inner === 'step') {
    const step = /** @type {Pass} */ (block).steps[number];
    number = /** @type {Pass} */ (lists(to)[at]).steps.findIndex((one) => one.operator === step?.operator && one.which === step.which);
  } else if (number >= (lists(to)[at].fields.shape?.length ?? 0)) number = -1;
  return number < 0 ? null : `${list}[${at}].${inner}[${number}]${rest}`;
}

/** One after another, so that each is made for the text that the one before left. */
let queue = Promise.resolve();

/**
 * Changes the stack's text. The answer says whether it was done; if not, the reason has been said.
 * @param {any[]} edits @param {string} label @param {string} [group] Edits of one group are one step of undo.
 * @param {Stack | null} [madeFor] The stack that the paths are of, where it may be an older one.
 * @returns {Promise<boolean>}
 */
export function edit(edits, label, group, madeFor = model.stack) {
  const done = queue.then(() => write(edits, label, group, madeFor));
  queue = done.then(() => undefined, () => undefined);
  return done;
}

/** @param {any[]} edits @param {string} label @param {string | undefined} group @param {Stack | null} madeFor */
async function write(edits, label, group, madeFor) {
  if (model.session.read_only || model.stack?.read_only) {
    say('This stack can only be looked at here.', 'fault');
    return false;
  }
  ++model.waiting;
  emit('waiting');
  try {
    for (;;) {
      const placed = edits.map((one) => (one.path === undefined ? one : { ...one, path: relocated(one.path, madeFor, model.stack) }));
      const lost = placed.some((one) => one.path === null) || (edits.some((one) => one.offset !== undefined) && madeFor?.digest !== model.stack?.digest);
      if (lost) {
        say(`The file was changed elsewhere meanwhile, and "${label}" no longer fits: it was not made.`, 'fault');
        return false;
      }
      try {
        takeStack(await change('edit', { digest: model.stack?.digest, label, group, edits: placed }), 'edit');
        return true;
      } catch (error) {
        if (!(error instanceof LoomError)) throw error;
        // The loom is gone: what was changed waits until it is here again.
        if (error.status === 0) await new Promise((resolve) => setTimeout(resolve, 1000));
        // Another program was quicker: the same change is made to what it left.
        else if (error.status === 409) takeStack(error.body?.stack ?? (await api.get('stack')), 'disk');
        else throw error;
      }
    }
  } catch (error) {
    sayError(error);
    return false;
  } finally {
    --model.waiting;
    emit('waiting');
  }
}

/** @param {'undo' | 'redo'} which */
export function step(which) {
  const done = queue.then(() => stepNow(which));
  queue = done.then(() => undefined, () => undefined);
  return done;
}

/** @param {'undo' | 'redo'} which */
async function stepNow(which) {
  const words = model.stack?.[which];
  if (!words) {
    say(which === 'undo' ? 'There is nothing to undo.' : 'There is nothing to redo.');
    return;
  }
  try {
    takeStack(await change(which, { digest: model.stack?.digest }), 'undo');
    say(`${which === 'undo' ? 'Undone' : 'Done again'}: ${words}.`);
  } catch (error) {
    if (error instanceof LoomError && error.status === 409) await fetchStack('disk');
    sayError(error);
  }
}

// ---- looking -------------------------------------------------------------------

/** @param {Partial<typeof model>} to */
export function show(to) {
  Object.assign(model, to);
  settle();
  emit('look');
}

/** @param {number} frame */
export function goTo(frame) {
  const range = model.stack?.frames;
  if (!range) return;
  show({ frame: Math.min(Math.max(Math.round(frame), range.first), range.last) });
}

/** Shows a pass as suits what it is. @param {string} name */
export function showPass(name) {
  const gives = find(name)?.gives ?? '';
  const was = find(model.shown)?.gives ?? '';
  /** @type {Partial<typeof model>} */
  const to = { shown: name };
  if (gives !== was) {
    if (gives === 'matte') to.as = 'matte';
    else if (gives === 'opaque') to.as = 'color';
    else if (model.as === 'matte' || model.as === 'color') to.as = 'checker';
  }
  show(to);
}

// ---- the daemon ----------------------------------------------------------------

let planTimer = 0;
/** Asks what would be rendered, a little later: many changes are one question. @param {number} [delay] */
export function wantPlan(delay = 400) {
  clearTimeout(planTimer);
  planTimer = setTimeout(async () => {
    const digest = model.stack?.digest;
    if (!digest || model.stack?.state !== 'good' || model.daemon.state !== 'here') return;
    try {
      const plan = await api.get('plan');
      model.plan = new Map((plan.pass ?? []).map((/** @type {any} */ line) => [line.pass, line]));
      model.planFor = digest;
      emit('plan');
    } catch {
      // A stack with faults has no plan; the faults are told elsewhere.
      model.plan = new Map();
      emit('plan');
    }
  }, delay);
}

/** How a pass stands: shape, word, and a sentence. @param {string} name */
export function stateOf(name) {
  const line = model.job?.pass?.find((one) => one.pass === name);
  const active = model.job !== null && (model.job.state === 'running' || model.job.state === 'inspecting');
  if (line && line.failed > 0) return { state: 'failed', word: 'failed', more: (model.job?.problem ?? []).find((text) => text.includes(name)) ?? 'A task of it failed.' };
  if (active && line && line.running > 0) return { state: 'rendering', word: 'rendering', more: `${line.rendered + line.reused} of ${line.total} done` };
  if (active && line && line.rendered + line.reused < line.total) return { state: 'waiting', word: 'waiting', more: `${line.rendered + line.reused} of ${line.total} done` };
  const plan = model.plan.get(name);
  if (plan === undefined) {
    if (active && line) return { state: 'held', word: 'held', more: '' };
    return { state: 'none', word: model.plan.size > 0 ? 'not used' : 'not known', more: '' };
  }
  if (plan.render === 0) return { state: 'held', word: 'held', more: `all ${plan.total} in the cache` };
  const why = plan.reason.filter((reason) => !reason.reused).map((reason) => reason.text + (reason.pass && reason.pass !== name ? ` (${reason.pass})` : ''));
  const never = why.length > 0 && why.every((text) => /never rendered|not rendered|first/i.test(text));
  return {
    state: never ? 'waiting' : plan.reuse > 0 ? 'partly' : 'changed',
    word: never ? 'not rendered' : plan.reuse > 0 ? 'partly held' : 'changed',
    more: `${plan.render} of ${plan.total} would be rendered: ${[...new Set(why)].slice(0, 3).join('; ')}`,
  };
}

/** The daemon's word may come before the text that it is about. @type {any} */
let heardFaults = null;

function takeFaults() {
  if (model.stack === null || heardFaults === null || heardFaults.digest !== model.stack.digest) return;
  model.stack.faults = heardFaults.faults ?? [];
  model.stack.checked = true;
  heardFaults = null;
  emit('faults');
  wantPlan();
}

/** The stack that the loom told of last. @type {any} */
let heardStack = null;
/** Edits and steps of undo whose answer is still to come. */
let writing = 0;

function followHeard() {
  if (heardStack !== null && (heardStack.digest !== model.stack?.digest || heardStack.state !== model.stack?.state)) void fetchStack(heardStack.by);
}

/** @param {string} path @param {any} body */
async function change(path, body) {
  ++writing;
  try {
    return await api.post(path, body);
  } finally {
    // What another page did meanwhile is followed when this answer has been taken.
    setTimeout(() => { if (--writing === 0) followHeard(); });
  }
}

/** @param {string} kind @param {any} data */
export function hear(kind, data) {
  if (kind === 'stack') {
    // Another page has given this loom a stack.
    if (model.session.mode === 'farm' && data.state !== 'none') return location.assign('/');
    heardStack = data;
    // The answer to what is being written here brings the stack along.
    if (writing === 0 || data.by === 'disk' || data.by === 'start') followHeard();
  } else if (kind === 'faults') {
    heardFaults = data;
    takeFaults();
  } else if (kind === 'daemon') {
    const was = model.daemon.state;
    model.daemon = data;
    emit('daemon');
    if (data.state === 'here' && was !== 'here') {
      wantPlan(0);
      emit('look');
    }
  } else if (kind === 'jobs') {
    model.jobs = data.jobs ?? [];
    const mine = model.jobs.find((job) => job.stack_name === model.stack?.name);
    // A job that ends at once may have ended before anybody could follow it.
    if (mine && (model.job?.job_id !== mine.job_id || model.job.state !== mine.state)) void fetchJob(mine.job_id);
    emit('jobs');
  } else if (kind === 'job') {
    takeJob(data);
  } else if (kind === 'report') {
    model.reportEvent = data;
    emit('report');
  } else if (kind === 'fetch') {
    model.fetchEvent = data;
    emit('fetch');
  } else if (kind === 'closing') {
    loomIs(false);
  }
}

/** @param {string} id */
async function fetchJob(id) {
  try {
    takeJob(await api.get('job', { id }));
  } catch {
    // It is told by the next event.
  }
}

/** @param {Job} job */
function takeJob(job) {
  if (model.stack !== null && job.stack_name !== model.stack.name) return;
  if (model.job !== null && job.job_id !== model.job.job_id && job.submitted_unix_ms < model.job.submitted_unix_ms) return;
  // An answer that was under way for longer than the job itself.
  const over = (/** @type {string} */ state) => state === 'done' || state === 'failed' || state === 'cancelled';
  if (model.job?.job_id === job.job_id && over(model.job.state) && !over(job.state)) return;
  if (model.job?.job_id !== job.job_id) sinceJob.clear();
  const wasActive = model.job?.job_id === job.job_id && (model.job.state === 'running' || model.job.state === 'inspecting');
  model.job = { ...job, pass: job.pass ?? [], problem: job.problem ?? [], error: job.error ?? [], warning: job.warning ?? [] };
  emit('job');
  const active = job.state === 'running' || job.state === 'inspecting';
  if (wasActive && !active) {
    say(`Job ${job.job_id} is ${job.state}.`, job.state === 'failed' ? 'fault' : 'note');
    wantPlan(0);
  }
}

/** What a look has said of masks that lost what they follow; the newest job says it of all its frames. @type {Set<string>} */
const lostLooks = new Set();
/** What has been changed since the newest job. @type {Set<string>} */
const sinceJob = new Set();
const kLost = /mask "?([^" ]+)"? frame (-?\d+): shape (\d+) has lost what it follows/;

/** @param {string} fault */
export function noteLost(fault) {
  const found = kLost.exec(fault);
  if (found === null || lostLooks.has(found[0])) return;
  lostLooks.add(found[0]);
  emit('lost');
}

/** Frames at which a mask has lost what it follows, with the number of the shape. @param {string} mask @returns {Map<number, number>} */
export function lostFrames(mask) {
  /** @type {Map<number, number>} */
  const found = new Map();
  for (const text of [...(sinceJob.has(mask) ? [] : model.job?.problem ?? []), ...lostLooks]) {
    const said = kLost.exec(text);
    if (said !== null && said[1] === mask) found.set(Number(said[2]), Number(said[3]));
  }
  return found;
}

on('stack', ({ changed, before }) => {
  if (before !== null) changed.forEach((/** @type {string} */ name) => sinceJob.add(name));
  // Drawn anew, or what it follows is another picture: it is seen again whether it holds.
  for (const text of lostLooks) if (changed.has(kLost.exec(text)?.[1] ?? '')) lostLooks.delete(text);
});

/** @param {boolean} here */
export function loomIs(here) {
  if (model.loomHere === here) return;
  model.loomHere = here;
  emit('daemon');
  if (here) void fetchStack('start');
}
