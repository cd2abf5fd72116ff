// The curves of a shape as points that can be moved. The loom gives and takes lists of
// cubics: the start, then six numbers a segment, closed by itself. Here they are knots with a
// handle before and after; a straight side has no handles, and is written with its control
// points at the thirds, as the loom has it.

/**
 * @typedef {{x: number, y: number}} Point
 * @typedef {{x: number, y: number, before: Point | null, after: Point | null}} Knot
 * @typedef {{knots: Knot[], closing: boolean}} Outline The last knot is followed by the first. `closing`: this
 *     side is written out, as in "L 0 0 Z", and not only as Z; all drawings of a shape must agree in their sides.
 */

/** @param {Point} a @param {Point} b @param {number} t */
const mix = (a, b, t) => ({ x: a.x + (b.x - a.x) * t, y: a.y + (b.y - a.y) * t });

/** @param {Point} a @param {Point} b */
const apart = (a, b) => Math.hypot(a.x - b.x, a.y - b.y);

/** @param {number[][]} curves @returns {Outline[]} */
export function outlinesOf(curves) {
  return curves.map((xy) => {
    /** @type {Knot[]} */
    const knots = [{ x: xy[0], y: xy[1], before: null, after: null }];
    for (let i = 2; i + 5 < xy.length; i += 6) {
      const from = knots[knots.length - 1];
      const one = { x: xy[i], y: xy[i + 1] };
      const two = { x: xy[i + 2], y: xy[i + 3] };
      const end = { x: xy[i + 4], y: xy[i + 5] };
      const straight = apart(one, mix(from, end, 1 / 3)) < 0.02 && apart(two, mix(from, end, 2 / 3)) < 0.02;
      if (!straight) from.after = one;
      knots.push({ ...end, before: straight ? null : two, after: null });
    }
    const last = knots[knots.length - 1];
    const closing = knots.length > 1 && apart(last, knots[0]) < 0.005;
    if (closing) {
      knots[0].before = last.before;
      knots.pop();
    }
    return { knots, closing };
  });
}

/** Whether the closing side must be written out. @param {Outline} outline */
export const closes = ({ knots, closing }) => closing || (knots.length > 1 && (knots[knots.length - 1].after !== null || knots[0].before !== null));

/** To a hundredth of a pixel. @param {number} value */
const rounded = (value) => Math.round(value * 100) / 100 + 0;

/** @param {Outline[]} outlines @returns {number[][]} */
export function curvesOf(outlines) {
  return outlines.filter(({ knots }) => knots.length > 0).map((outline) => {
    // Rounded before the thirds of straight sides are taken: they must lie on the side.
    const point = (/** @type {Point | null} */ p) => (p === null ? null : { x: rounded(p.x), y: rounded(p.y) });
    const knots = outline.knots.map((k) => ({ x: rounded(k.x), y: rounded(k.y), before: point(k.before), after: point(k.after) }));
    const xy = [knots[0].x, knots[0].y];
    const sides = closes(outline) ? knots.length : knots.length - 1;
    for (let i = 0; i < sides; ++i) {
      const { one, two, to } = segment(knots, i);
      xy.push(one.x, one.y, two.x, two.y, to.x, to.y);
    }
    return xy;
  });
}

/** As SVG path data, for a shape that is not in the file yet. @param {Outline[]} outlines */
export function pathText(outlines) {
  return outlines.filter(({ knots }) => knots.length > 0).map((outline) => {
    const { knots } = outline;
    const sides = closes(outline) ? knots.length : knots.length - 1;
    let text = `M ${rounded(knots[0].x)} ${rounded(knots[0].y)}`;
    for (let i = 0; i < sides; ++i) {
      const { from, one, two, to } = segment(knots, i);
      text += from.after === null && to.before === null ? ` L ${rounded(to.x)} ${rounded(to.y)}`
        : ` C ${[one.x, one.y, two.x, two.y, to.x, to.y].map(rounded).join(' ')}`;
    }
    return `${text} Z`;
  }).join(' ');
}

/** The side after knot `index`. @param {Knot[]} knots @param {number} index */
export function segment(knots, index) {
  const from = knots[index];
  const to = knots[(index + 1) % knots.length];
  if (from.after === null && to.before === null) return { from, to, one: mix(from, to, 1 / 3), two: mix(from, to, 2 / 3) };
  return { from, to, one: from.after ?? from, two: to.before ?? to };
}

/** @param {Outline[]} outlines @returns {Outline[]} */
export const copyOf = (outlines) => structuredClone(outlines);

/** Moves a knot with its handles. @param {Knot} knot @param {number} x @param {number} y */
export function moveKnot(knot, x, y) {
  const dx = x - knot.x;
  const dy = y - knot.y;
  for (const point of [knot, knot.before, knot.after]) {
    if (point === null) continue;
    point.x += dx;
    point.y += dy;
  }
}

/**
 * Moves a handle; the one across turns with it and keeps its length, unless `alone`.
 * @param {Knot} knot @param {'before' | 'after'} side @param {number} x @param {number} y @param {boolean} alone
 */
export function moveHandle(knot, side, x, y, alone) {
  knot[side] = { x, y };
  const other = side === 'before' ? knot.after : knot.before;
  const reach = apart({ x, y }, knot);
  if (alone || other === null || reach < 1e-6) return;
  const length = apart(other, knot);
  other.x = knot.x - ((x - knot.x) / reach) * length;
  other.y = knot.y - ((y - knot.y) / reach) * length;
}

/** @param {Knot[]} knots @param {number} index @param {number} t @returns {Point} */
export function pointOn(knots, index, t) {
  const { from, one, two, to } = segment(knots, index);
  const a = mix(mix(from, one, t), mix(one, two, t), t);
  const b = mix(mix(one, two, t), mix(two, to, t), t);
  return mix(a, b, t);
}

/** Splits a side without changing the curve; the index of the new knot. @param {Knot[]} knots @param {number} index @param {number} t */
export function insertKnot(knots, index, t) {
  const { from, one, two, to } = segment(knots, index);
  if (from.after === null && to.before === null) {
    knots.splice(index + 1, 0, { ...mix(from, to, t), before: null, after: null });
    return index + 1;
  }
  const p = mix(from, one, t);
  const q = mix(one, two, t);
  const r = mix(two, to, t);
  const a = mix(p, q, t);
  const b = mix(q, r, t);
  from.after = p;
  to.before = r;
  knots.splice(index + 1, 0, { ...mix(a, b, t), before: a, after: b });
  return index + 1;
}

/** The place of the outlines nearest to a point. @param {Outline[]} outlines @param {number} x @param {number} y */
export function nearestOn(outlines, x, y) {
  let best = { outline: -1, index: 0, t: 0, distance: Infinity };
  outlines.forEach(({ knots }, outline) => {
    for (let index = 0; index < knots.length && knots.length > 1; ++index) {
      for (let s = 0; s <= 16; ++s) {
        const distance = apart(pointOn(knots, index, s / 16), { x, y });
        if (distance < best.distance) best = { outline, index, t: Math.min(Math.max(s / 16, 0.02), 0.98), distance };
      }
    }
  });
  return best;
}

/** Gives a corner handles, or takes them away. @param {Knot[]} knots @param {number} index */
export function toggleCurve(knots, index) {
  const knot = knots[index];
  if (knot.before !== null || knot.after !== null) {
    knot.before = knot.after = null;
    return;
  }
  const before = knots[(index + knots.length - 1) % knots.length];
  const after = knots[(index + 1) % knots.length];
  const dx = (after.x - before.x) / 6;
  const dy = (after.y - before.y) / 6;
  knot.before = { x: knot.x - dx, y: knot.y - dy };
  knot.after = { x: knot.x + dx, y: knot.y + dy };
}

/**
 * Where a point of the shape lands after the mask's track, and back.
 * @param {{x: number, y: number, rotate: number, scale: number, pivot_x: number, pivot_y: number}} track
 */
export function trackOf(track) {
  const angle = (track.rotate * Math.PI) / 180;
  const cos = Math.cos(angle) * track.scale;
  const sin = Math.sin(angle) * track.scale;
  const size = track.scale * track.scale;
  return {
    /** @param {Point} p @returns {Point} */
    to: (p) => {
      const x = p.x - track.pivot_x;
      const y = p.y - track.pivot_y;
      return { x: cos * x - sin * y + track.pivot_x + track.x, y: sin * x + cos * y + track.pivot_y + track.y };
    },
    /** @param {Point} p @returns {Point} */
    from: (p) => {
      const x = p.x - track.pivot_x - track.x;
      const y = p.y - track.pivot_y - track.y;
      return { x: (cos * x + sin * y) / size + track.pivot_x, y: (-sin * x + cos * y) / size + track.pivot_y };
    },
  };
}
