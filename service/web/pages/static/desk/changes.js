/** Answers that became others when the catalogue changed: how far the asking again has come, and what each says now. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { aloud, plain, wordsOf } from "./words.js";

const HOW = {
  waiting: "No worker has begun yet.",
  running: "A worker is at it.",
  finished: "All of them have been asked.",
  overtaken: "A newer revision came; the cases are asked under that one.",
};
const STATES = { not_in_catalogue: "fits no part", more_readings_needed: "more readings needed" };
const AGAIN_MS = 3000;

const said = ({ state, part_number: part }) =>
  state === "identified" ? part : state === "ambiguous" ? `ambiguous, first ${part}` : STATES[state] ?? plain(state);

export class Changes {
  constructor(api, { changed }) {
    Object.assign(this, { api, changed, progress: null, items: [], trouble: "", none: false });
  }

  async load() {
    try {
      const { body } = await this.api.get("/v1/catalogue/revisions?limit=1");
      const revision = body.items[0]?.revision;
      const of = `/v1/catalogue/revisions/${revision}/reidentification`;
      this.progress = (await this.api.get(of)).body;
      const items = [];
      for (let cursor = ""; cursor !== null;) {
        const page = (await this.api.get(`${of}/changes?limit=100${cursor && `&cursor=${cursor}`}`)).body;
        items.push(...page.items);
        cursor = page.next_cursor;
      }
      this.items = items.sort((a, b) => b.told_otherwise - a.told_otherwise);
      this.trouble = "";
    } catch (error) {
      this.none = error.status === 404;
      this.trouble = this.none ? "" : wordsOf(error);
    }
    this.changed();
    const goesOn = this.progress && ["waiting", "running"].includes(this.progress.state);
    if (goesOn && location.hash === "#/changes") setTimeout(() => { if (location.hash === "#/changes") this.load(); }, AGAIN_MS);
  }

  view() {
    return html`
      <div class="stack desk-list">
        <h1>Changed answers</h1>
        <p class="soft">When the catalogue changes, open and recent cases are asked again. Nothing of it is sent: where a customer was told otherwise, the case waits in the queue.</p>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${this.none ? html`<p>No case has been asked again under this catalogue.</p>` : this.progress ? this.#progress() : this.trouble ? nothing : html`<p>Working…</p>`}
        ${this.items.length ? this.#table() : this.progress?.state === "finished" ? html`<p>No answer became another.</p>` : nothing}
      </div>`;
  }

  #progress() {
    const { catalogue_revision: revision, state, done, remaining, told_otherwise: told } = this.progress;
    return html`
      <p role="status">Revision ${revision}: ${done} ${done === 1 ? "case" : "cases"} asked${remaining ? `, ${remaining} to go` : ""}. ${HOW[state]}
        ${told ? html`<strong>${told} told otherwise.</strong>` : nothing}</p>
      ${remaining ? html`<progress aria-label="Cases asked" max=${done + remaining} value=${done}></progress>` : nothing}`;
  }

  #table() {
    return html`
      <table class="sheet"><caption class="unseen">Answers that became others</caption>
        <thead><tr><th scope="col">Case</th><th scope="col">It was</th><th scope="col">It is now</th><th scope="col">The customer</th></tr></thead>
        <tbody>${this.items.map((item) => html`
          <tr><th scope="row"><a href="#/case/${item.submission_id}">${aloud(item.reference)}</a></th>
            <td>${said(item.before)} <span class="soft small">revision ${item.before.catalogue_revision}</span></td>
            <td>${said(item.after)} <span class="soft small">revision ${item.after.catalogue_revision}</span></td>
            <td>${item.told_otherwise ? html`was told otherwise${item.review ? html`: <a href="#/review/${item.review}">review</a>` : nothing}` : "need not be told"}</td></tr>`)}</tbody></table>`;
  }

  onKey() {
    return false;
  }
}
