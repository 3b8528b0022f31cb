/** The look-alike map: parts that a caliper cannot tell apart, in groups, and the cheapest thing that tells each pair. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { Latest, Refused } from "../shared/api.js";
import { plain, wordsOf } from "./words.js";

const CHEAPEST = ["gear_teeth", "overall_length", "flank_width", "duration", "lobe_separation", "bench", "nothing"];
const HOW = {
  gear_teeth: "Count the gear's teeth",
  overall_length: "Measure the whole length",
  flank_width: "Measure the width over the flanks",
  duration: "Take the duration with a degree wheel",
  lobe_separation: "Take the lobe separation with a degree wheel",
  bench: "Only the bench: have the shaft sent in",
  nothing: "Nothing stated tells them apart",
};
const MOST_SHOWN = 40;
const QUIET_MS = 250;

/** Pairs put together where they share a part: the groups, largest first, their pairs the cheapest first. */
export function groupsOf(pairs) {
  const root = new Map();
  const top = (part) => { let at = part; while (root.get(at) !== at) at = root.get(at); return at; };
  for (const { part_number: a, other: b } of pairs) {
    for (const part of [a, b]) if (!root.has(part)) root.set(part, part);
    root.set(top(a), top(b));
  }
  const groups = new Map();
  for (const pair of pairs) {
    const name = top(pair.part_number);
    if (!groups.has(name)) groups.set(name, { parts: new Set(), cores: new Set(), pairs: [] });
    const group = groups.get(name);
    group.parts.add(pair.part_number).add(pair.other);
    group.cores.add(pair.core).add(pair.other_core);
    group.pairs.push(pair);
  }
  const rank = ({ separated_by: by }) => (CHEAPEST.indexOf(by) + CHEAPEST.length) % CHEAPEST.length;
  return [...groups.values()]
    .map((group) => ({ ...group, pairs: group.pairs.sort((a, b) => rank(a) - rank(b)) }))
    .sort((a, b) => b.parts.size - a.parts.size);
}

const UNITS = { in: "in", mm: "mm", teeth: "teeth", crank_degrees: "crank degrees", cam_degrees: "cam degrees" };

export class LookAlikes {
  constructor(api, { changed, say }) {
    Object.assign(this, { api, changed, say, groups: null, unit: "in", sought: "", none: "", trouble: "" });
    this.latest = new Latest((signal) => this.#whyNone(signal), (words) => { this.none = words ?? ""; changed(); }, QUIET_MS);
  }

  async load() {
    try {
      const pairs = [];
      for (let cursor = ""; cursor !== null;) {
        const { body } = await this.api.get(`/v1/catalogue/look-alikes?limit=100&unit=${this.unit}${cursor && `&cursor=${cursor}`}`);
        pairs.push(...body.items);
        cursor = body.next_cursor;
      }
      this.groups = groupsOf(pairs);
      this.trouble = "";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  get #found() {
    const sought = this.sought.trim().toUpperCase();
    return (this.groups ?? []).filter(({ parts, cores }) => !sought || cores.has(sought) || [...parts].some((part) => part.toUpperCase().includes(sought)));
  }

  #seek(text) {
    Object.assign(this, { sought: text, none: "" });
    this.latest.change();
    this.changed();
  }

  /** Why nothing is found: a part or a core without look-alikes, or none that there is. */
  async #whyNone(signal) {
    const sought = this.sought.trim();
    if (!sought || !this.groups || this.#found.length) return "";
    const { body: { items: [part] } } = await this.api.get(`/v1/catalogue/parts?${new URLSearchParams({ q: sought, limit: 1 })}`, { signal });
    if (part) return `No part whose number begins with “${sought}” has look-alikes.`;
    try {
      const { body: core } = await this.api.get(`/v1/catalogue/cores/${encodeURIComponent(sought.toUpperCase())}`, { signal });
      return `No part on core ${core.code} has look-alikes.`;
    } catch (error) {
      if (error instanceof Refused && error.status === 404) return `There is no such part or core: no number begins with “${sought}”.`;
      throw error;
    }
  }

  view() {
    const found = this.#found;
    return html`
      <div class="stack desk-list">
        <h1>Look-alikes</h1>
        <p class="soft">Grinds whose lifts and base circles read alike with a caliper, and the cheapest thing that tells two of them apart.</p>
        <form class="row" role="search" @submit=${(e) => e.preventDefault()}>
          <label class="row">Part or core<input maxlength="40" .value=${this.sought} spellcheck="false" @input=${(e) => this.#seek(e.target.value)}></label>
          <label class="row">Unit<select @change=${(e) => { this.unit = e.target.value; this.load(); }}><option value="in">inches</option><option value="mm" .selected=${this.unit === "mm"}>millimetres</option></select></label>
        </form>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${this.groups ? html`<p class="soft small" role="status">${this.none && !found.length ? this.none : html`${found.length} ${found.length === 1 ? "group" : "groups"}${found.length > MOST_SHOWN ? `; the largest ${MOST_SHOWN} are shown` : ""}.`}</p>` : html`<p>Working…</p>`}
        <div class="groups">${found.slice(0, MOST_SHOWN).map((group) => this.#group(group))}</div>
      </div>`;
  }

  #group({ parts, cores, pairs }) {
    const title = [...parts].join(", ");
    return html`
      <section class="sheet stack" aria-label="Look-alikes ${title}">
        <h2>${title} <span class="soft small">core ${[...cores].join(", ")}</span></h2>
        <table><caption class="unseen">What tells them apart</caption>
          <thead class="unseen"><tr><th scope="col">Two parts</th><th scope="col">What to do</th><th scope="col">They differ by</th></tr></thead>
          <tbody>${pairs.map((pair) => html`
            <tr><th scope="row"><span class="whole">${pair.part_number}</span> / <span class="whole">${pair.other}</span></th><td>${HOW[pair.separated_by] ?? plain(pair.separated_by)}</td>
              <td class="number soft">${pair.difference ? `${pair.difference.value} ${UNITS[pair.difference.unit] ?? plain(pair.difference.unit)}` : "–"}</td></tr>`)}</tbody></table>
      </section>`;
  }

  onKey() {
    return false;
  }
}
