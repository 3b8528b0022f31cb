/** Finding a case by what somebody on the telephone knows of it. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { aloud, clock, day, plain, stateOf, wordsOf } from "./words.js";

const FIELDS = [
  ["reference", "Reference", "text"],
  ["name", "Name", "text"],
  ["email", "E-mail", "email"],
  ["phone", "Telephone", "tel"],
  ["part", "Part", "text"],
  ["opened_from", "Opened from", "date"],
  ["opened_to", "to", "date"],
];
const WHICH = [["", "All"], ["open=true", "Open"], ["open=false", "Closed"], ["left_half_done=true", "Left half done"]];

/** The search, which keeps what was looked for while a case is looked at. Nothing of it goes into the address. */
export class Find {
  constructor(api, { changed, say }) {
    Object.assign(this, { api, changed, say, wanted: {}, which: "", items: null, cursor: null, trouble: "" });
  }

  load() {
    return this.items ? this.look() : this.changed();
  }

  async look(cursor = null) {
    const query = new URLSearchParams(this.which);
    for (const [name] of FIELDS) if (this.wanted[name]?.trim()) query.set(name, this.wanted[name].trim());
    query.set("limit", "25");
    if (cursor) query.set("cursor", cursor);
    try {
      const { body } = await this.api.get(`/v1/cases?${query}`);
      this.items = cursor ? [...this.items, ...body.items] : body.items;
      this.cursor = body.next_cursor;
      this.trouble = "";
      this.say(this.items.length === 1 ? "One case." : `${this.items.length}${this.cursor ? " or more" : ""} cases.`);
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  view() {
    const { items } = this;
    return html`
      <div class="stack desk-list">
        <h1>Find a case</h1>
        <form class="sheet stack" autocomplete="off" role="search" @submit=${(e) => { e.preventDefault(); this.look(); }}>
          <div class="fields">
            ${FIELDS.map(([name, words, type]) => html`<label>${words}<input type=${type} .value=${this.wanted[name] ?? ""}
              inputmode=${name === "reference" ? "numeric" : nothing} @input=${(e) => { this.wanted[name] = e.target.value; }}></label>`)}
            <label>Which<select @change=${(e) => { this.which = e.target.value; }}>
              ${WHICH.map(([value, words]) => html`<option value=${value} .selected=${value === this.which}>${words}</option>`)}</select></label>
          </div>
          <div class="row"><button class="first">Find</button>
            <span class="soft small">All that is filled in has to fit; a name by its first letters will do.</span></div>
        </form>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${items?.length === 0 ? html`<p class="first-hint">No such case. A misheard digit in a reference finds nothing: ask for it again.</p>` : nothing}
        ${items?.length ? html`
          <div class="wide" tabindex="0" role="region" aria-label="Cases found">
          <table class="queue">
            <caption class="unseen">Cases found, the newest first</caption>
            <thead><tr><th scope="col">Case</th><th scope="col">Customer</th><th scope="col">From</th><th scope="col">Readings say</th>
              <th scope="col">Decided</th><th scope="col">Opened</th><th scope="col">Now</th></tr></thead>
            <tbody>${items.map((each) => html`
              <tr><th scope="row"><a href="#/case/${each.id}">${aloud(each.reference)}</a></th>
                <td>${Object.values(each.contact).filter(Boolean).join(", ") || "–"}</td><td>${plain(each.source)}</td>
                <td>${each.leading_part ?? ""} <span class="soft small">${stateOf(each.state)}</span></td><td>${each.decided_part ?? "–"}</td>
                <td title=${clock(each.opened_at)}>${day(each.opened_at)}</td><td>${each.closed_at ? `closed, ${plain(each.closed_why)}` : "open"}</td></tr>`)}</tbody>
          </table></div>
          ${this.cursor ? html`<div class="row"><button type="button" @click=${() => this.look(this.cursor)}>More</button></div>` : nothing}` : nothing}
      </div>`;
  }

  onKey() {
    return false;
  }
}
