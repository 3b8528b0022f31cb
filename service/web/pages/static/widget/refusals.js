/** What the service refused, as the name of words in the widget's own catalogue: a customer reads nothing else. */

const PLACES = [
  [/^\/readings\/(\d+)/, "refused_size"],
  [/^\/counts/, "refused_count"],
  [/^\/contact\/email/, "refused_email"],
  [/^\/contact\/phone/, "refused_phone"],
  [/^\/contact\/name/, "refused_name"],
  [/^\/note/, "refused_note"],
];
const CODES = { too_many_pixels: "refused_photo_size", not_a_photo: "refused_photo", conflict: "refused_photos" };
const STATUSES = { 401: "refused_key", 403: "refused_key", 404: "refused_gone", 413: "refused_photo_size", 415: "refused_photo" };

/** `{words, reading}`: the name of the words, and the number of the reading that is at fault, if one is. */
export function refusal({ status, problem }) {
  for (const { pointer } of problem?.errors ?? []) {
    for (const [place, words] of PLACES) {
      const at = place.exec(pointer);
      if (at) return { words, reading: words === "refused_size" ? Number(at[1]) : undefined };
    }
  }
  return { words: CODES[problem?.code] ?? STATUSES[status] ?? "refused_other" };
}
