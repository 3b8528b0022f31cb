/** What can be done to a whole case: overruled, closed, opened again, handed to an order, made part of another. */

import { html, nothing } from "../shared/vendor/lit-html.js";

const CHANGES = {
  overrule: { words: "Put your word in place of the answer", done: "Overruled.", fields: ["outcome", "part_number", "confidence", "reason"] },
  order: { words: "Hand it to an order", done: "Handed to an order.", fields: ["order_reference"] },
  close: { words: "Close it", done: "Closed.", fields: ["reason"] },
  reopen: { words: "Open it again", done: "Opened again.", fields: ["reason"] },
  merge: { words: "Make it part of another case", done: "Merged.", fields: ["into", "reason"] },
};
const CHOICES = {
  outcome: ["What it is", [["part", "This part"], ["not_in_catalogue", "Not in the catalogue"], ["cannot_tell", "Nobody can tell from this"]]],
  confidence: ["How sure", [["sure", "sure"], ["likely", "likely"], ["guess", "guess"]]],
};
const WORDS = { part_number: "Part number", reason: "Why", order_reference: "The shop's reference, if there is one", into: "Reference of the case that goes on" };
const NEEDED = ["reason", "into", "part_number"];

const blank = () => ({ kind: "overrule", outcome: "part", part_number: "", confidence: "sure", reason: "", order_reference: "", into: "" });

/**
 * The form. `act(path, body, done, taken, refused)` changes the case and calls `taken` once the change is kept, before the
 * case is fetched again: what is typed from then on stays; or `refused` with the words of what went wrong. `find(reference)` gives a case's id or null.
 */
export class CaseChanges {
  constructor({ act, find, changed }) {
    Object.assign(this, { act, find, changed, said: blank(), trouble: "" });
  }

  async #make(event) {
    event.preventDefault();
    const { kind } = this.said;
    const wanted = this.#fields().filter((name) => this.said[name].trim());
    const body = Object.fromEntries(wanted.map((name) => [name, this.said[name].trim()]));
    this.trouble = "";
    if (body.into) {
      body.into = await this.find(body.into);
      if (!body.into) this.trouble = "No case has this reference.";
    }
    if (this.trouble) this.changed();
    else await this.act(kind, body, CHANGES[kind].done, () => { this.said = blank(); }, (words) => { this.trouble = words; });
  }

  #fields() {
    const { kind, outcome } = this.said;
    return CHANGES[kind].fields.filter((name) => name !== "part_number" || outcome === "part");
  }

  view(isClosed) {
    const set = (name) => (e) => { this.said[name] = e.target.value; this.changed(); };
    const kinds = Object.keys(CHANGES).filter((kind) => !isClosed || kind === "reopen");
    if (!kinds.includes(this.said.kind)) this.said.kind = kinds[0];
    const select = (name, words, choices) => html`<label>${words}<select class="block" @change=${set(name)}>
      ${choices.map(([value, said]) => html`<option value=${value} .selected=${value === this.said[name]}>${said}</option>`)}</select></label>`;
    return html`
      <details class="sheet"><summary><h3>Change this case</h3></summary>
        <form class="stack" autocomplete="off" @submit=${(e) => this.#make(e)}>
          ${select("kind", "What to do", kinds.map((kind) => [kind, CHANGES[kind].words]))}
          ${this.#fields().map((name) => (CHOICES[name] ? select(name, ...CHOICES[name])
            : html`<label>${WORDS[name]}<input class="block" ?required=${NEEDED.includes(name)} .value=${this.said[name]} @input=${set(name)}></label>`))}
          ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
          <div class="row"><button>Do it</button></div>
        </form></details>`;
  }
}
