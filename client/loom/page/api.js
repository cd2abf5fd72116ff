// Everything that goes over HTTP to the loom, and nothing else.

/** @typedef {import('./types.js').Fault} Fault */

/** An answer that is not what was asked for, with its sentences. */
export class LoomError extends Error {
  /** @param {number} status 0: the loom does not answer. @param {Fault[]} faults @param {any} [body] */
  constructor(status, faults, body) {
    super(faults.map((fault) => fault.message).join('\n'));
    this.status = status;
    this.faults = faults;
    this.body = body;
  }
}

export const kGone = 'The loom does not answer. Start `selvage loom` again; what is drawn here stays as it is.';

/** @param {Response} response */
async function errorOf(response) {
  let body = null;
  try {
    body = await response.json();
  } catch {
    // Not JSON: the status has to do.
  }
  const faults = Array.isArray(body?.error) && body.error.length > 0 ? body.error
    : [{ message: `The loom answered ${response.status} ${response.statusText}.` }];
  return new LoomError(response.status, faults, body);
}

/** @param {string} path @param {RequestInit} [init] */
async function ask(path, init) {
  let response;
  try {
    response = await fetch(path, { credentials: 'same-origin', ...init });
  } catch (error) {
    if (error instanceof DOMException && error.name === 'AbortError') throw error;
    throw new LoomError(0, [{ message: kGone }]);
  }
  if (!response.ok) throw await errorOf(response);
  return response;
}

/** @param {Record<string, any>} parameters */
export function query(parameters) {
  const out = new URLSearchParams();
  for (const [name, value] of Object.entries(parameters)) {
    for (const one of Array.isArray(value) ? value : [value]) {
      if (one !== undefined && one !== null && one !== '') out.append(name, String(one));
    }
  }
  return out.toString();
}

/** @param {string} path @param {Record<string, any>} [parameters] @param {AbortSignal} [signal] @returns {Promise<any>} */
export async function get(path, parameters = {}, signal) {
  const text = query(parameters);
  return (await ask(`/api/${path}${text ? `?${text}` : ''}`, { signal })).json();
}

/** @param {string} path @param {any} body @returns {Promise<any>} */
export async function post(path, body) {
  const response = await ask(`/api/${path}`, {
    method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(body),
  });
  return response.status === 204 ? {} : response.json();
}

/**
 * A picture, with what is to be said of it.
 * @param {Record<string, any>} parameters @param {AbortSignal} [signal]
 */
export async function look(parameters, signal) {
  const response = await ask(`/api/look?${query(parameters)}`, { signal });
  const said = response.headers.get('X-Selvage-Warnings');
  const blob = await response.blob();
  return {
    bitmap: await createImageBitmap(blob, { colorSpaceConversion: 'none' }),
    tag: response.headers.get('ETag') ?? '',
    warnings: /** @type {string[]} */ (said ? JSON.parse(decodeURIComponent(said)) : []),
    window: windowOf(response.headers.get('X-Selvage-Window')),
  };
}

/** Where the picture lies in the format: x, y, width, height. @param {string | null} text */
function windowOf(text) {
  const numbers = (text ?? '').split(/[ ,]+/).map(Number);
  return numbers.length === 4 && numbers.every(Number.isFinite) ? numbers : null;
}

/**
 * The event stream. `hear` gets the kind and the data; `gone` and `here` say whether the loom
 * itself answers. The browser connects again by itself unless it was refused.
 * @param {{hear: (kind: string, data: any) => void, gone: () => void, here: () => void}} listener
 */
export function listen(listener) {
  const kinds = ['stack', 'faults', 'daemon', 'jobs', 'job', 'report', 'fetch', 'closing'];
  const start = () => {
    const source = new EventSource('/api/events');
    source.onopen = () => listener.here();
    source.onerror = () => {
      listener.gone();
      if (source.readyState !== EventSource.CLOSED) return;
      setTimeout(start, 2000);
    };
    for (const kind of kinds) {
      source.addEventListener(kind, (event) => listener.hear(kind, JSON.parse(/** @type {MessageEvent} */ (event).data)));
    }
  };
  start();
}
