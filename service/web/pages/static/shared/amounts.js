/** Sizes as people write them: decimals, with a point or a comma, and fractions of an inch. */

const DECIMAL = /^[+-]?(\d{1,6}([.,]\d{1,8})?|[.,]\d{1,8})$/;
const FRACTION = /^(?:(\d{1,4})[ -])?(\d{1,4})\/(\d{1,4})$/;

/**
 * One size as the API takes it (text, so that its digits are kept), or null where it is none.
 *
 * A fraction becomes a decimal with as many digits as its denominator carries: nobody reads 13/16 to a
 * thousandth, and the number of digits says how finely a size was read.
 */
export function readAmount(written) {
  const text = written.trim();
  if (DECIMAL.test(text)) return text.replace(",", ".");
  const parts = FRACTION.exec(text);
  if (!parts || Number(parts[3]) === 0) return null;
  const value = Number(parts[1] ?? 0) + Number(parts[2]) / Number(parts[3]);
  return value.toFixed(Math.max(1, Math.round(Math.log10(Number(parts[3])))));
}

/** The repeats in one line, `{values, bad}`: sizes with blanks between them; a fraction over one is 1-3/16. */
export function readAmounts(written) {
  const words = written.trim().split(/[\s;]+/).filter(Boolean);
  const read = words.map(readAmount);
  return { values: read.filter((value) => value !== null), bad: words.filter((_, i) => read[i] === null) };
}

/** A probability in words of a percentage, never rounded to certainty. */
export function percent(probability) {
  if (probability > 0.999) return "over 99.9 %";
  if (probability < 0.001) return "under 0.1 %";
  return `${(100 * probability).toFixed(1)} %`;
}
