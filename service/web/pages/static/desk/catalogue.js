/** The catalogue's life: its revisions, what each changed, the way back to one, and drafts that are not published. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { clock, wordsOf } from "./words.js";

const FORMS = ".csv,.json,.xlsx,.xlsm";
const MOST_REVISIONS = 50;
const MOST_CHANGES = 300;

/** Only whoever keeps the catalogue may see drafts; the desk sees the revisions. */
const KEEPERS = "Drafts are looked at, published and gone back from with an admin key.";

/** How many: `1 fault`, `3 faults`. */
export const many = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

/** Changes in words, the first of them, and how many more there are. */
export const changeList = (changes, count) => html`
  ${count ? html`<ul class="small changes">${changes.slice(0, MOST_CHANGES).map((words) => html`<li>${words}</li>`)}</ul>` : html`<p class="soft">Nothing is another.</p>`}
  ${count > Math.min(changes.length, MOST_CHANGES) ? html`<p class="soft small">And ${count - Math.min(changes.length, MOST_CHANGES)} more.</p>` : nothing}`;

export class Catalogue {
  constructor(api, { changed, say }) {
    Object.assign(this, { api, changed, say, revisions: null, drafts: null, keeps: true, busy: false, trouble: "" });
  }

  async load() {
    try {
      this.revisions = (await this.api.get(`/v1/catalogue/revisions?limit=${MOST_REVISIONS}`)).body.items;
      this.changed();
      this.drafts = (await this.api.get("/v1/catalogue/drafts")).body.items;
    } catch (error) {
      this.keeps = error.status !== 403;
      this.trouble = this.keeps ? wordsOf(error) : "";
    }
    this.changed();
  }

  async #upload(event) {
    event.preventDefault();
    const form = new FormData();
    for (const file of event.target.elements.files.files) form.append("files", file);
    Object.assign(this, { busy: true, trouble: "" });
    this.changed();
    try {
      const { body } = await this.api.postOnce("/v1/catalogue/drafts/files", form);
      location.hash = `#/draft/${body.id}`;
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.busy = false;
    this.changed();
  }

  view() {
    return html`
      <div class="stack desk-list">
        <h1>Catalogue</h1>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${this.keeps ? this.#drafts() : html`<p class="soft">${KEEPERS}</p>`}
        ${this.revisions ? this.#revisions() : this.trouble ? nothing : html`<p>Working…</p>`}
      </div>`;
  }

  #drafts() {
    return html`
      <form class="sheet stack" @submit=${(e) => this.#upload(e)}>
        <h2>Look at a new catalogue</h2>
        <label>Its files: cores.csv and parts.csv (perhaps lift_tables.csv), one .xlsx workbook, or one .json
          <input type="file" name="files" multiple required accept=${FORMS}></label>
        <div class="row"><button class="first" ?disabled=${this.busy}>Look at it</button>
          <span class="soft small" role="status">${this.busy ? "Reading the files…" : "Nothing is published yet."}</span></div>
      </form>
      ${this.drafts?.length ? html`
        <section class="sheet stack" aria-labelledby="drafts"><h2 id="drafts">Drafts</h2>
          <div class="wide" tabindex="0" role="group" aria-labelledby="drafts">
          <table><caption class="unseen">Catalogues that are not published, newest first</caption>
            <thead><tr><th scope="col">Files</th><th scope="col">Uploaded</th><th scope="col">By</th><th scope="col">Holds</th><th scope="col">Found</th></tr></thead>
            <tbody>${this.drafts.map((each) => html`
              <tr><th scope="row"><a href="#/draft/${each.id}">${each.name}</a></th><td>${clock(each.made_at)}</td><td>${each.made_by}</td>
                <td>${each.parts === null ? "–" : `${many(each.cores, "core")}, ${many(each.parts, "part")}`}</td>
                <td>${each.fault_count ? html`<span class="late">${many(each.fault_count, "fault")}</span>` : many(each.warning_count, "warning")}</td></tr>`)}</tbody></table></div>
        </section>` : nothing}`;
  }

  #revisions() {
    return html`
      <section class="sheet stack" aria-labelledby="revisions"><h2 id="revisions">Revisions</h2>
        ${this.revisions.length === 0 ? html`<p>No catalogue has been published yet.</p>` : html`
        <div class="wide" tabindex="0" role="group" aria-labelledby="revisions">
        <table><caption class="unseen">Revisions, newest first</caption>
          <thead><tr><th scope="col">Revision</th><th scope="col">Made</th><th scope="col">By</th><th scope="col">Why</th><th scope="col">Parts</th></tr></thead>
          <tbody>${this.revisions.map((each) => html`
            <tr><th scope="row"><a href="#/revision/${each.revision}">${each.revision}</a>${each.state === "active" ? html` <span class="good">active</span>` : nothing}</th>
              <td>${clock(each.made_at)}</td><td>${each.made_by}</td><td>${each.reason || html`<span class="soft">–</span>`}</td><td>${each.parts}</td></tr>`)}</tbody></table></div>`}
      </section>`;
  }

  onKey() {
    return false;
  }
}

/** One revision: who made it, when and why, what it changed, and the way back to it. */
export class Revision {
  constructor(api, number, { changed, say }) {
    Object.assign(this, { api, number, changed, say, found: null, difference: null, reason: "", trouble: "" });
  }

  async load() {
    const path = `/v1/catalogue/revisions/${this.number}`;
    try {
      this.found = (await this.api.get(path)).body;
      this.difference = this.found.revision > 1 ? (await this.api.get(`${path}/difference`)).body : null;
      this.trouble = "";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  async #restore(event) {
    event.preventDefault();
    const query = new URLSearchParams({ reason: this.reason.trim() });
    try {
      const { body } = await this.api.postOnce(`/v1/catalogue/revisions/${this.number}/restore?${query}`);
      this.say(`Revision ${body.revision} is active: it holds what revision ${this.number} held.`);
      location.hash = "#/catalogue";
    } catch (error) {
      this.trouble = error.status === 403 ? KEEPERS : wordsOf(error);
      this.changed();
    }
  }

  view() {
    const { found, difference } = this;
    return html`
      <div class="stack desk-list">
        <h1>Catalogue revision ${this.number}</h1>
        <p class="small"><a href="#/catalogue">All revisions</a></p>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : found ? nothing : html`<p>Working…</p>`}
        ${found ? html`
          <p>${found.state === "active" ? html`<span class="good">Active.</span> ` : nothing}${many(found.cores, "core")} and ${many(found.parts, "part")}, by ${found.made_by}, ${clock(found.made_at)}${found.reason ? `: ${found.reason}` : ""}</p>
          ${difference ? html`<section class="sheet stack" aria-labelledby="difference"><h2 id="difference">What it changed</h2>
            ${changeList(difference.changes.map(({ words }) => words), difference.change_count)}</section>` : nothing}
          ${found.state === "active" ? nothing : html`
            <form class="sheet stack" @submit=${(e) => this.#restore(e)}>
              <h2>Go back to it</h2>
              <p class="soft">What it holds becomes a new revision, and that the active one. Open and recent cases are asked again.</p>
              <label>Why<input class="block" required maxlength="400" .value=${this.reason} @input=${(e) => { this.reason = e.target.value; }}></label>
              <div class="row"><button class="first">Go back to revision ${this.number}</button></div>
            </form>`}` : nothing}
      </div>`;
  }

  onKey() {
    return false;
  }
}
