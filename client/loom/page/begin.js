// A loom that is open on no stack: opens one, or has one made for a plate.
import * as api from './api.js';
import { byId, fill, h } from './dom.js';
import { model, sayError } from './model.js';

/** A path that is typed, with what goes on from it in the folder as suggestions. @param {string} id @param {'pictures' | 'stacks'} sort @param {Record<string, any>} attributes */
function pathField(id, sort, attributes) {
  const list = h('datalist', { id: `${id}-paths` });
  const input = h('input', { id, type: 'text', class: 'text', list: list.id, autocomplete: 'off', spellcheck: 'false', ...attributes });
  let asked = '\n';
  let timer = 0;
  const suggest = async () => {
    const begun = input.value;
    if (begun === asked) return;
    asked = begun;
    try {
      const reply = await api.get('files', { sort, path: begun });
      if (begun === asked) fill(list, reply.paths.map((/** @type {string} */ path) => h('option', { value: path })));
    } catch {
      // Without suggestions the path can be typed all the same.
    }
  };
  input.addEventListener('focus', () => void suggest());
  input.addEventListener('input', () => {
    clearTimeout(timer);
    timer = setTimeout(() => void suggest(), 120);
  });
  return [input, list];
}

/** @param {string} id @param {string} words @param {any} field */
const row = (id, words, field) => [h('label', { for: id }, words), h('span', null, field)];

/** The name of a stack for a plate: beside the folder that the plate lies in. @param {string} plate */
function nameFor(plate) {
  const parts = plate.split('/');
  const name = (parts.pop() ?? '').replace(/\.[^.]*$/, '').replace(/[._-]?(%\d*d|\d+)$/, '');
  if (name === '') return '';
  if (parts.length > 1) parts.pop();
  return [...parts, `${name}.stack`].join('/');
}

/** @param {string} text @param {'note' | 'fault'} sort */
function words(text, sort) {
  const out = byId('begin-words');
  out.textContent = text;
  out.className = sort;
}

/** @param {string} name @param {any} body @param {string} meanwhile */
async function begin(name, body, meanwhile) {
  const buttons = /** @type {NodeListOf<HTMLButtonElement>} */ (document.querySelectorAll('#begin button'));
  buttons.forEach((one) => { one.disabled = true; });
  words(meanwhile, 'note');
  try {
    const reply = await api.post(name, body);
    // Said by the page that comes next.
    sessionStorage.setItem('loom-said', [`${reply.path} is open.`, ...reply.warnings.map((/** @type {string} */ one) => `Warning: ${one}.`)].join('\n'));
    location.assign('/');
  } catch (error) {
    buttons.forEach((one) => { one.disabled = false; });
    words(error instanceof Error ? error.message : String(error), 'fault');
    if (!(error instanceof api.LoomError)) sayError(error);
  }
}

const value = (/** @type {string} */ id) => byId(id).value.trim();

/** Two forms above the farm. */
export function build() {
  let named = false;
  const stack = pathField('new-stack', 'stacks', { required: true, oninput: () => { named = true; } });
  const plate = pathField('new-plate', 'pictures', { required: true, placeholder: 'plates/apiary_010.%04d.exr', oninput: () => {
    if (!named) stack[0].value = nameFor(value('new-plate'));
  } });
  return h('div', { id: 'begin' },
    h('section', { 'aria-labelledby': 'begin-new' }, h('h2', { id: 'begin-new' }, 'New stack for a plate'),
      h('p', { class: 'note' }, 'The screen, a box of it and the frames are found in the plate; the stack keys as it stands.'),
      h('form', { class: 'begin-form', onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        void begin('new', { plate: value('new-plate'), stack: value('new-stack'), background: value('new-background'), frames: value('new-frames'), encoding: value('new-encoding'), screen_box: value('new-box') },
          'Frames of the plate are looked at; this takes some seconds.');
      } },
      row('new-plate', 'plate', plate), row('new-background', 'background', pathField('new-background', 'pictures', { placeholder: 'a plain grey' })),
      row('new-stack', 'stack file', stack),
      h('details', null, h('summary', null, 'What is found by itself'), h('div', { class: 'begin-form' },
        row('new-frames', 'frames', h('input', { id: 'new-frames', type: 'text', class: 'text', placeholder: 'all, or 1001-1048', autocomplete: 'off' })),
        row('new-encoding', 'encoding', h('select', { id: 'new-encoding' }, [['', 'as the files say'], ['linear', 'linear'], ['srgb', 'srgb'], ['bt709', 'bt709'], ['printing_density', 'printing_density'], ['acescct', 'acescct']].map(([v, t]) => h('option', { value: v }, t)))),
        row('new-box', 'bare screen', h('input', { id: 'new-box', type: 'text', class: 'text', placeholder: 'X,Y,WIDTH,HEIGHT, or with @FRAME', autocomplete: 'off' })))),
      h('div', { class: 'begin-end' }, h('button', { class: 'main' }, 'Make the stack')))),
    h('section', { 'aria-labelledby': 'begin-open' }, h('h2', { id: 'begin-open' }, 'Open a stack'),
      h('form', { class: 'begin-form', onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        void begin('open', { path: value('open-stack') }, 'Opening.');
      } },
      row('open-stack', 'stack file', pathField('open-stack', 'stacks', { required: true })),
      h('div', { class: 'begin-end' }, h('button', null, 'Open')))),
    h('p', { id: 'begin-words', class: 'note', role: 'status' }));
}

/** What the page before this one had to say. */
export function saidBefore() {
  const text = sessionStorage.getItem('loom-said') ?? '';
  sessionStorage.removeItem('loom-said');
  return model.session.mode === 'stack' ? text : '';
}
