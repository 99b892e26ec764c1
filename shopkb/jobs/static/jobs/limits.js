// Limits and typed numbers on the device, by the rules of the server: values known so far, what follows from them, the
// ranges of a step, and what can be expected of a reading.
"use strict";
const Limits = (() => {
  const WRITTEN = /^([-+\u2212\u2010-\u2013]?)\s*(\d+(?:[.,]\d*)?|[.,]\d+)(?:e([-+]?\d{1,3}))?(.*)$/i;
  const AMBIGUOUS = /^[1-9]\d{0,2},\d{3}$/;

  const folded = (unit) =>
    unit.replace(/[\u03a9\u2126\u03c9]/g, "ohm").replace(/[\u00b0\u00ba\u02da]/g, "deg").replace("\u2103", "degC")
      .replace("\u2109", "degF").replace("\u00b2", "2").replace(/\^2$/, "2").replace(/\s+/g, "").replace(/\.$/, "");

  // The scale and offset of a unit as it was spelled; capitals count only where they tell two units apart.
  const unitOf = (spelled, spellings) => {
    const pairs = Object.entries(spellings).map(([name, found]) => [folded(name), found]);
    const exact = pairs.find(([name]) => name === spelled);
    if (exact) return exact[1];
    const loose = pairs.filter(([name]) => name.toLowerCase() === spelled.toLowerCase()).map(([, found]) => found);
    return new Set(loose.map(String)).size === 1 ? loose[0] : undefined;
  };

  // What was typed, as a number in the unit `own`; or the words why it cannot be read. Without a unit it is in `shown`.
  const read = (text, spellings, own, shown = own) => {
    const found = text.trim().match(WRITTEN);
    if (!found) return { refused: `"${text.trim()}" is not a number. This is how to type it: 12.7` };
    const [, sign, digits, power, rest] = found;
    if (AMBIGUOUS.test(digits)) {
      return { refused: `"${digits}" can be read as ${digits.replace(",", ".")} or as ${digits.replace(",", "")}. Write one of them.` };
    }
    const size = Number(`${digits.replace(",", ".").replace(/^\./, "0.")}e${power || 0}`);
    const spelled = folded(rest);
    const unit = spelled ? unitOf(spelled, spellings) : spellings[shown];
    if (!unit) return { refused: `"${rest.trim()}" is not a unit of what is asked here.` };
    const number = /[-\u2212\u2010-\u2013]/.test(sign) ? -size : size;
    const [scale, offset] = spellings[own];
    if (String(unit) === String(spellings[own])) return { number };
    return { number: Number(((number + unit[1]) * unit[0] / scale - offset).toPrecision(12)) };
  };

  // The answer to a value that is asked once: within what can be true.
  const readAsked = (text, rules) => {
    const found = read(text, rules.spellings, rules.unit);
    if (found.refused) return found;
    if (rules.low !== null && found.number < rules.low) return { refused: `${text.trim()} is less than can be true here. It is ${rules.least} or more.` };
    if (rules.high !== null && found.number > rules.high) return { refused: `${text.trim()} is more than can be true here. It is ${rules.most} or less.` };
    return found;
  };

  // Every value that is known once `given` is: those asked, and those that follow from them.
  const valuesOf = (limits, given) => {
    const values = { ...limits.known, ...given };
    for (const each of limits.computed) {
      if (!each.of.every(({ name }) => name in values)) continue;
      const factors = each.of.map(({ name, scale, power, size, table }) => {
        const x = Number((values[name] * scale).toPrecision(12));
        return table[String(x)] ?? size * x ** power;
      });
      const value = factors.reduce((product, factor) => product * factor, each.size);
      if (Number.isFinite(value)) values[each.key] = Number(value.toPrecision(7));
    }
    return values;
  };

  const end = (sum, values, unbounded) => {
    if (sum === null) return unbounded;
    if (!sum.of.every(([name]) => name in values)) return undefined;
    const found = sum.of.reduce((total, [name, times]) => total + times * values[name], sum.constant);
    return Number(found.toPrecision(12));
  };

  // By outcome, the range that gives it in the step's unit; none where a value is not known yet.
  const rangesOf = (limits, given) => {
    const values = valuesOf(limits, given);
    const ranges = {};
    for (const [outcome, { low, high, lowOpen, highOpen }] of Object.entries(limits.ends)) {
      const [from, to] = [end(low, values, -Infinity), end(high, values, Infinity)];
      if (from !== undefined && to !== undefined) ranges[outcome] = { low: from, high: to, lowOpen, highOpen };
    }
    return ranges;
  };

  // What can be expected of a reading; nothing until every range is known.
  const expectedOf = (limits, ranges) => {
    if (limits.written) return { low: limits.written.low ?? -Infinity, high: limits.written.high ?? Infinity };
    const all = Object.values(ranges);
    if (all.length < limits.bands) return null;
    const ends = all.flatMap(({ low, high }) => [low, high]).filter(Number.isFinite);
    const furthest = limits.times * Math.max(0, ...ends.map(Math.abs));
    if (!ends.length || !limits.times || !(furthest || limits.usual.length)) return null;
    const [low, high] = limits.usual.length ? limits.usual : [0, 0];
    const below = limits.least === null ? (limits.belowZero ? -furthest : 0) : limits.least;
    return { low: Math.min(low, below), high: Math.max(high, furthest) };
  };

  const figures = (number) => String(Number(number.toPrecision(Math.abs(number) < 1000 ? 4 : 6)));
  const words = ({ low, high, lowOpen, highOpen }, sign) => {
    const from = Number.isFinite(low) ? `${lowOpen ? "more than " : ""}${figures(low)} ${sign}${lowOpen ? "" : " or more"}` : "";
    const to = Number.isFinite(high) ? `${highOpen ? "under " : ""}${figures(high)} ${sign}${highOpen ? "" : " or less"}` : "";
    return [from, to].filter(Boolean).join(", ") || "any reading";
  };

  return { read, readAsked, rangesOf, expectedOf, words, figures };
})();
