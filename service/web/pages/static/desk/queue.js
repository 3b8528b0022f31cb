/** The human queue: what waits, one case at a time, and what a person decides of it. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { advice, candidates, cautions, chart, derived, evidence, readingsTable, verdict } from "./answer.js";
import { Photos } from "./pictures.js";
import { aloud, clock, day, plain, stateOf, wordsOf } from "./words.js";

const WHY = {
  ambiguous: "The readings cannot tell",
  not_in_catalogue: "Fits no part",
  person_asked_for: "A person was asked for",
  reopened: "Opened again",
  automatic_sample: "Second look at an answer",
  low_confidence: "Second look at a guess",
  answer_changed: "The catalogue changed: told otherwise",
};

export class Queue {
  constructor(api, { changed, say, person }) {
    Object.assign(this, { api, changed, say, person, items: null, trouble: "" });
  }

  async load() {
    try {
      const pages = await Promise.all(["waiting", "claimed"].map((state) => this.api.get(`/v1/reviews?state=${state}&limit=100`)));
      const order = { urgent: 0, normal: 1, low: 2 };
      this.items = pages.flatMap(({ body }) => body.items)
        .sort((a, b) => order[a.priority] - order[b.priority] || a.due_at.localeCompare(b.due_at));
      this.trouble = "";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** Claim one, or the next; the claimed one is opened. */
  async claim(reviewId) {
    const wish = {};
    if (reviewId) wish.review_id = reviewId;
    if (this.person) wish.person = this.person;
    try {
      const { body, status } = await this.api.postOnce("/v1/reviews/claim", wish);
      if (status === 204) this.say("Nothing waits.");
      else location.hash = `#/review/${body.id}`;
      this.trouble = status === 204 ? "Nothing waits." : "";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  view() {
    const now = new Date().toISOString();
    return html`
      <div class="stack desk-list">
        <div class="row"><h1>Queue</h1>
          <button type="button" class="first" @click=${() => this.claim()}>Take the next<kbd>F2</kbd></button>
          <button type="button" @click=${() => this.load()}>Refresh</button></div>
        ${this.trouble ? html`<p class="fault">${this.trouble}</p>` : nothing}
        ${this.items?.length === 0 ? html`<p class="first-hint">Nothing waits for a person.</p>` : nothing}
        ${this.items?.length ? html`
          <div class="wide" tabindex="0" role="region" aria-label="Cases">
          <table class="queue">
            <caption class="unseen">Cases that wait for a person, the most urgent first</caption>
            <thead><tr><th scope="col">Case</th><th scope="col">Why</th><th scope="col">From</th><th scope="col">Core</th><th scope="col">Owed by</th><th scope="col"><span class="unseen">In hand</span></th></tr></thead>
            <tbody>${this.items.map((each) => html`
              <tr>
                <th scope="row">${aloud(each.reference)}${each.priority === "urgent" ? html` <span class="late">urgent</span>` : nothing}</th>
                <td>${WHY[each.reason] ?? plain(each.reason)}</td><td>${plain(each.source)}</td><td>${each.skill ?? "–"}</td>
                <td class=${each.due_at < now ? "late" : ""}>${clock(each.due_at)}${each.due_at < now ? " (late)" : ""}</td>
                <td>${each.state === "claimed"
                  ? html`<a href="#/review/${each.id}">in hand: ${each.claim?.by}</a>`
                  : html`<button type="button" @click=${() => this.claim(each.id)}>Take<span class="unseen"> ${each.reference}</span></button>`}</td>
              </tr>`)}</tbody>
          </table></div>` : nothing}
      </div>`;
  }

  onKey(key) {
    if (key !== "F2") return false;
    this.claim();
    return true;
  }
}

const HOLD_ON_MS = 60_000;
const OUTCOMES = [["part", "It is this part"], ["not_in_catalogue", "Not in the catalogue"], ["cannot_tell", "Nobody can tell from this"]];

/** The part that is likelier than all else together, or none: a field that is filled in already is soon agreed to. */
const likeliestOf = ({ candidates: [best] }) => (best?.probability > 0.5 ? best.part_number : "");

/** One review: everything there is to go by, and the decision. */
export class Review {
  constructor(api, id, { changed, say, person, resume }) {
    Object.assign(this, { api, id, changed, say, person, resume, sheet: null, trouble: "", done: "", heldOnAt: Date.now() });
    this.verdict = { outcome: "", part_number: "", confidence: "", reason: "" };
    this.photos = new Photos(api, { changed, say });
  }

  async load() {
    try {
      const { body, etag } = await this.api.get(`/v1/reviews/${this.id}`);
      const drawn = await this.api.get(body.chart);
      Object.assign(this, { sheet: body, etag, drawing: chart(drawn.body), trouble: "" });
      this.verdict.part_number ||= likeliestOf(body.submission);
      this.changed();
      await this.photos.show((await this.api.get(`/v1/submissions/${body.submission_id}/photos`)).body.items);
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** Take it into one's hands; what has been typed stays. */
  async take() {
    try {
      await this.api.postOnce("/v1/reviews/claim", { review_id: this.id, ...(this.person ? { person: this.person } : {}) });
      this.heldOnAt = Date.now();
      this.say("Taken.");
      await this.load();
    } catch (error) {
      this.trouble = wordsOf(error);
      this.changed();
    }
  }

  /** Whoever types is at it: let the claim's time begin again, now and then. What stands in the way, deciding will tell. */
  #holdOn() {
    if (this.sheet.state !== "claimed" || Date.now() - this.heldOnAt < HOLD_ON_MS) return;
    this.heldOnAt = Date.now();
    this.api.post(`/v1/reviews/${this.id}/lease`).catch(() => {});
  }

  async #move(path, body, done) {
    try {
      const whole = this.person ? { ...body, person: this.person } : body;
      await this.api.postOnce(`/v1/reviews/${this.id}/${path}`, whole, { headers: { "If-Match": this.etag } });
      this.done = done;
      this.trouble = "";
      this.say(done);
    } catch (error) {
      const trouble = error.status === 412 ? "Readings have come in since; look again before you decide." : wordsOf(error);
      if (error.status === 412 || error.status === 409) await this.load();
      this.trouble = trouble;
    }
    this.changed();
  }

  decide() {
    const { outcome, part_number: part, ...rest } = this.verdict;
    const body = { outcome, ...rest, ...(outcome === "part" ? { part_number: part.trim() } : {}) };
    return this.#move("decision", body, `Decided: ${outcome === "part" ? part.trim() : plain(outcome)}.`);
  }

  giveBack() {
    return this.#move("release", { reason: this.verdict.reason }, "Given back to the queue.");
  }

  view() {
    if (!this.sheet) return html`<div class="stack desk-list">${this.trouble ? html`<p class="fault">${this.trouble}</p>` : html`<p>Working…</p>`}</div>`;
    const { sheet } = this;
    const { submission: said } = sheet;
    const { readings } = said.submission;
    const contact = Object.values(said.submission.contact ?? {}).filter(Boolean);
    return html`
      <div class="desk">
        <div class="stack">
          <h1>Case ${aloud(sheet.reference)}</h1>
          <p class="small"><a href="#/case/${sheet.submission_id}">All of this case</a></p>
          <p class="soft">${WHY[sheet.reason] ?? plain(sheet.reason)}; ${plain(sheet.source)}; opened ${clock(sheet.opened_at)}${sheet.claim ? `; in hand: ${sheet.claim.by}` : ""}</p>
          ${this.done ? html`<div class="sheet stack"><p><strong>${this.done}</strong></p>
            <p><a href="#/case/${sheet.submission_id}">Its letter, and all of this case</a></p><p><a href="#/queue">Back to the queue</a></p></div>` : this.#form(said)}
          <div class="sheet stack">
            <p>${contact.length ? `Customer: ${contact.join(", ")}` : html`<span class="soft">No name or address.</span>`}</p>
            ${readingsTable(said)}
            ${said.submission.note ? html`<p class="small">Note: ${said.submission.note}</p>` : nothing}
            ${sheet.notes.map((note) => html`<p class="small">${note.by}: ${note.text}</p>`)}
            ${sheet.look_alikes.map((pair) => html`<p class="small">${pair.part_number} and ${pair.other} read alike; ${plain(pair.separated_by)} tells them apart.</p>`)}
          </div>
          ${this.photos.shown.length || this.photos.trouble ? html`<div class="sheet stack">${this.photos.view()}</div>` : nothing}
          ${sheet.history.length ? html`<section class="sheet stack" aria-labelledby="history"><h2 id="history">The same customer</h2>
            <ul class="small">${sheet.history.map((each) => html`<li><a href="#/case/${each.id}">${aloud(each.reference)}</a>, ${day(each.opened_at)}: ${each.decided_part ?? each.leading_part ?? ""} ${stateOf(each.state)}</li>`)}</ul></section>` : nothing}
        </div>
        <div class="stack">
          ${said.suspected_slips.map((slip) => this.#slip(slip))}
          <div class="sheet stack">${verdict(said)}${candidates(said)}</div>
          ${said.next_reading ? html`<div class="ask"><h3>Ask next</h3><p class="say">${said.next_reading.message}</p></div>` : nothing}
          <div class="sheet stack">${derived(said)}${evidence(said, readings)}${this.drawing}${advice(said)}</div>
          ${cautions(said)}
        </div>
      </div>`;
  }

  /** What was kept stays as it was read: the corrected readings are kept as a case that takes its place, as in a call. */
  #slip(slip) {
    const { sheet } = this;
    const file = { id: sheet.submission_id, reference: sheet.reference, submission: sheet.submission };
    return html`
      <div class="slip"><h2>A slip, perhaps</h2><p>${slip.message}</p>
        ${slip.correction ? html`<button type="button" @click=${() => this.resume(file, slip)}>Correct it in a call</button>
          <p class="small">Kept there, it is a new case that takes the place of this one.</p>` : html`<span class="soft">Ask for it to be read again.</span>`}</div>`;
  }

  #form(said) {
    const set = (name) => (e) => { this.verdict[name] = e.target.value; this.#holdOn(); this.changed(); };
    const waits = this.sheet.state === "waiting";
    return html`
      <form class="sheet stack" @submit=${(e) => { e.preventDefault(); this.decide(); }}>
        <h2>Decide</h2>
        <fieldset><legend>What it is</legend><div class="row">
          ${OUTCOMES.map(([value, words]) => html`<label><input type="radio" name="outcome" required value=${value} .checked=${this.verdict.outcome === value} @change=${set("outcome")}>${words}</label>`)}
        </div></fieldset>
        ${this.verdict.outcome === "part" ? html`
          <label>Part number<input class="block" list="parts" required .value=${this.verdict.part_number} @input=${set("part_number")}></label>
          <datalist id="parts">${said.candidates.map((each) => html`<option value=${each.part_number}></option>`)}</datalist>` : nothing}
        <fieldset><legend>How sure</legend><div class="row">
          ${["sure", "likely", "guess"].map((value) => html`<label><input type="radio" name="confidence" required value=${value} .checked=${this.verdict.confidence === value} @change=${set("confidence")}>${value}</label>`)}
        </div></fieldset>
        <label>What it rests on<textarea required .value=${this.verdict.reason} @input=${set("reason")}></textarea></label>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${waits ? html`<p class="small soft">Nobody has this in hand; take it to decide.</p>` : nothing}
        <div class="row">${waits ? html`<button type="button" class="first" @click=${() => this.take()}>Take it</button>` : html`<button class="first">Decide</button>`}
          <button type="button" ?disabled=${waits || !this.verdict.reason.trim()} @click=${() => this.giveBack()}>Give back</button></div>
      </form>`;
  }

  onKey() {
    return false;
  }
}
