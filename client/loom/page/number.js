// A number that can be pulled, typed, stepped and reset.
import { h, numberText } from './dom.js';

/**
 * @typedef {object} NumberOptions
 * @property {string} label For screen readers: "levels, white".
 * @property {number} value
 * @property {number} [min]
 * @property {number} [max]
 * @property {number} [fallback] The default.
 * @property {boolean} [whole]
 * @property {boolean} [disabled]
 * @property {boolean} [unset] There is no value and no default: the field is empty.
 * @property {(value: number) => void} [preview] While it is pulled.
 * @property {(value: number) => void} commit
 */

/**
 * How much one pixel of pulling is worth. Most limits are far beyond what is used, so the
 * size of the number itself counts, and the range only where it is small.
 * @param {NumberOptions} o
 */
function grain(o) {
  if (o.whole) return 0.1;
  const range = (o.max ?? Infinity) - (o.min ?? -Infinity);
  const size = Math.max(Math.abs(o.value), Math.abs(o.fallback ?? 0), range <= 2 ? range / 2 : 0, 0.05);
  return Math.pow(10, Math.floor(Math.log10(size))) / 100;
}

/** @param {number} value @param {NumberOptions} o */
function limited(value, o) {
  const clamped = Math.min(Math.max(value, o.min ?? -Infinity), o.max ?? Infinity);
  return o.whole ? Math.round(clamped) : Number(clamped.toPrecision(12));
}

/** @param {NumberOptions} o @returns {HTMLInputElement} */
export function numberField(o) {
  let value = o.value;
  const whole = o.whole ?? false;
  /** @type {{x: number, value: number, moved: boolean} | null} */
  let pull = null;
  /** @type {HTMLInputElement} */
  const input = h('input', {
    class: 'number',
    type: 'text',
    inputmode: 'decimal',
    role: 'spinbutton',
    autocomplete: 'off',
    spellcheck: 'false',
    disabled: o.disabled ?? false,
    'aria-label': o.label,
    'aria-valuenow': value,
    'aria-valuemin': o.min,
    'aria-valuemax': o.max,
    value: o.unset ? '' : numberText(value),
    placeholder: o.unset ? 'not set' : null,
    title: `${o.label}. Drag sideways; Shift is finer, Alt is coarser. Click to type. Arrows step.`,
  });

  /** @param {number} to */
  const show = (to) => {
    value = to;
    input.value = numberText(to);
    delete input.dataset.dirty;
    input.setAttribute('aria-valuenow', String(to));
  };
  const commit = () => {
    if (value !== o.value) {
      o.value = value;
      o.commit(value);
    }
  };
  const typed = () => {
    const text = input.value.trim().replace(',', '.');
    const number = text === '' ? NaN : Number(text);
    if (Number.isFinite(number)) {
      // A number that is not there yet is written even where it is the one that is assumed.
      if (o.unset) o.value = NaN;
      o.unset = false;
      show(limited(number, o));
      commit();
    } else if (o.unset) input.value = '';
    else show(o.value);
  };

  input.addEventListener('pointerdown', (event) => {
    if (event.button !== 0 || document.activeElement === input) return;
    event.preventDefault();
    pull = { x: event.clientX, value, moved: false };
    input.setPointerCapture(event.pointerId);
  });
  input.addEventListener('pointermove', (event) => {
    if (pull === null) return;
    const pixels = event.clientX - pull.x;
    if (!pull.moved && Math.abs(pixels) < 3) return;
    pull.moved = true;
    input.classList.add('pulled');
    const step = grain({ ...o, value: pull.value }) * (event.shiftKey ? 0.1 : event.altKey ? 10 : 1);
    const to = limited(whole ? pull.value + Math.trunc(pixels * step) : Math.round((pull.value + pixels * step) / (step / 10)) * (step / 10), o);
    if (to === value) return;
    show(to);
    o.preview?.(to);
  });
  input.addEventListener('pointerup', () => {
    if (pull === null) return;
    const moved = pull.moved;
    pull = null;
    input.classList.remove('pulled');
    if (moved) commit();
    else {
      input.focus();
      input.select();
    }
  });
  input.addEventListener('pointercancel', () => {
    pull = null;
    input.classList.remove('pulled');
    show(o.value);
  });
  input.addEventListener('keydown', (event) => {
    if (event.key === 'Enter') {
      typed();
      input.select();
      event.preventDefault();
    } else if (event.key === 'Escape') {
      show(o.value);
      input.blur();
      event.preventDefault();
    } else if (event.key === 'ArrowUp' || event.key === 'ArrowDown') {
      const number = Number(input.value.replace(',', '.'));
      const from = Number.isFinite(number) ? number : value;
      const step = whole ? 1 : grain({ ...o, value: from }) * (event.shiftKey ? 1 : event.altKey ? 100 : 10);
      show(limited(from + (event.key === 'ArrowUp' ? step : -step), o));
      commit();
      event.preventDefault();
    }
  });
  input.addEventListener('input', () => { input.dataset.dirty = 'yes'; });
  input.addEventListener('change', typed);
  return input;
}
