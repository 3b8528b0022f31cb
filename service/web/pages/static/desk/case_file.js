/** One case, whole: what was read, said, decided and noted, and the few things done with it from here. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { Refused } from "../shared/api.js";
import { percent } from "../shared/amounts.js";
import { advice, candidates, cautions, chart, derived, evidence, readingsTable, summary, verdict } from "./answer.js";
import { CaseChanges } from "./case_changes.js";
import { Photos, save } from "./pictures.js";
import { aloud, capital, clock, day, plain, stateOf, verdictOf, wordsOf } from "./words.js";

const SOURCES = { box_found: "The box was found", bench_measured: "The bench measured it", customer_returned: "The customer sent it back" };

const MESSAGES = { waiting: "on its way", sent: "sent", dead: "not delivered" };

const nothingKnown = () => ({ source: "box_found", part: "" });

export class CaseFile {
  constructor(api, id, { changed, say, person, copy, resume }) {
    Object.assign(this, { api, id, changed, say, person, copy, resume, file: null, trouble: "", note: "", truth: nothingKnown(), to: null, letters: [], link: null, linkTrouble: "" });
    this.photos = new Photos(api, { changed, say });
    this.changes = new CaseChanges({
      changed,
      act: (...change) => this.#do(...change),
      find: async (reference) => (await this.api.get(`/v1/cases?${new URLSearchParams({ reference })}`)).body.items[0]?.id ?? null,
    });
  }

  async load() {
    try {
      const { body } = await this.api.get(`/v1/cases/${this.id}`);
      const drawn = await this.api.get(`/v1/submissions/${this.id}/chart.svg`);
      const { body: { items: letters } } = await this.api.get(`/v1/submissions/${this.id}/letters`);
      Object.assign(this, { file: body, drawing: chart(drawn.body), letters, trouble: "" });
      this.to ??= body.submission.submission.contact?.email ?? "";
      this.changed();
      await this.photos.show(await this.#listed());
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  async #listed() {
    return (await this.api.get(`/v1/submissions/${this.id}/photos`)).body.items;
  }

  /** Change the case; `taken` empties the form that asked, as soon as the change is kept; `refused` says why it is not. */
  async #do(path, body, done, taken, refused = (words) => { this.trouble = words; }) {
    try {
      await this.api.postOnce(`/v1/cases/${this.id}/${path}`, this.person ? { ...body, person: this.person } : body);
    } catch (error) {
      refused(wordsOf(error));
      this.changed();
      return;
    }
    taken();
    this.say(done);
    await this.load();
  }

  #write(event) {
    event.preventDefault();
    return this.#do("notes", { text: this.note.trim() }, "Noted.", () => { this.note = ""; });
  }

  #confirm(event) {
    event.preventDefault();
    const part = this.truth.part.trim();
    const outcome = part ? { outcome: "part", part_number: part } : { outcome: "not_in_catalogue" };
    return this.#do("confirmations", { source: this.truth.source, ...outcome }, "Kept: the desk learns from it.", () => { this.truth = nothingKnown(); });
  }

  async #letter() {
    try {
      await save(this.api, `/v1/submissions/${this.id}/letter.pdf`, `letter-${this.file.reference}.pdf`);
    } catch (error) {
      if (!(error instanceof Refused)) throw error;
      this.trouble = wordsOf(error);
      this.changed();
    }
  }

  /** Keep the letter as it is now, and mail it. */
  async #mail(event) {
    event.preventDefault();
    try {
      await this.api.postOnce(`/v1/submissions/${this.id}/letters`, this.person ? { to: this.to.trim(), person: this.person } : { to: this.to.trim() });
    } catch (error) {
      this.letterTrouble = wordsOf(error);
      this.changed();
      return;
    }
    this.letterTrouble = "";
    this.say("The letter is on its way.");
    await this.load();
  }

  /** A way back for the customer. Each press makes one: the service keeps none that it could show again. */
  async #makeLink() {
    try {
      const { body } = await this.api.post(`/v1/submissions/${this.id}/links`);
      Object.assign(this, { link: body, linkTrouble: "" });
      this.say("The link is made.");
    } catch (error) {
      this.linkTrouble = wordsOf(error);
    }
    this.changed();
  }

  #link() {
    const address = this.link && location.origin + this.link.page;
    return html`
      <details class="sheet"><summary><h3>A link for the customer</h3></summary>
        <div class="stack">
          <p class="soft small">It leads to this case as its customer may see it, and lets readings and photos be added. Whoever has it can do so: give it to the customer alone. It is not mailed from here, and cannot be shown again.</p>
          ${this.link ? html`
            <label>The link<input class="block" readonly .value=${address} @focus=${(e) => e.target.select()}></label>
            <p class="small">It works until ${day(this.link.lapses_at)}.</p>` : nothing}
          ${this.linkTrouble ? html`<p class="fault" role="alert">${this.linkTrouble}</p>` : nothing}
          <div class="row">
            ${this.link ? html`<button type="button" class="first" @click=${() => this.copy(address, "Link copied.")}>Copy the link</button>` : nothing}
            <button type="button" @click=${() => this.#makeLink()}>${this.link ? "Make another" : "Make a link"}</button></div>
        </div></details>`;
  }

  copySummary() {
    if (!this.file) return;
    const { submission: said, reference } = this.file;
    const { readings } = said.submission;
    this.copy(summary(said, readings, readings.map(({ values }) => values.join("  ")), reference));
  }

  view() {
    const { file } = this;
    if (!file) return html`<div class="stack desk-list"><h1>Case</h1>${this.trouble ? html`<p class="fault">${this.trouble}</p>` : html`<p>Working…</p>`}</div>`;
    const { submission: said } = file;
    const kept = said.submission;
    const contact = Object.values(kept.contact ?? {}).filter(Boolean);
    return html`
      <div class="desk">
        <div class="stack">
          <h1>Case ${aloud(file.reference)}</h1>
          <p class="soft">${capital(plain(kept.source))}, opened ${clock(said.opened_at)}${file.closed_at ? `, closed ${clock(file.closed_at)}: ${plain(file.closed_why)}` : ""}</p>
          ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
          <div class="row">
            ${file.closed_at ? nothing : html`<button type="button" class="first" @click=${() => this.resume(file)}>Go on with the call<kbd>F2</kbd></button>`}
            <button type="button" @click=${() => this.copySummary()}>Copy summary<kbd>F8</kbd></button>
            <button type="button" @click=${() => this.#letter()}>Letter (PDF)</button>
            ${said.review && said.review.state !== "decided" ? html`<a href="#/review/${said.review.id}">Its review</a>` : nothing}
          </div>
          <div class="sheet stack">
            <p>${contact.length ? contact.join(", ") : html`<span class="soft">No name or address.</span>`}</p>
            ${kept.markings.length ? html`<p class="small">Marks: ${kept.markings.map(({ place, text }) => `${text} (${plain(place)})`).join("; ")}</p>` : nothing}
            ${kept.note ? html`<p class="small">Note: ${kept.note}</p>` : nothing}
            ${readingsTable(said)}
          </div>
          <div class="sheet stack">${this.photos.view((photo) => this.photos.add(`/v1/submissions/${this.id}/photos`, photo, () => this.#listed()))}</div>
          ${this.#forms()}
        </div>
        <div class="stack">
          ${said.decision ? html`<div class="sheet"><h2 class="verdict">A person decided: ${verdictOf(said.decision)}</h2><p class="soft">${said.decision.confidence}, by ${said.decision.by}</p></div>` : nothing}
          <div class="sheet stack">${verdict(said)}${candidates(said)}</div>
          ${this.#history()}
          <div class="sheet stack">${derived(said)}${evidence(said, kept.readings)}${this.drawing}${advice(said)}</div>
          ${cautions(said)}
        </div>
      </div>`;
  }

  #forms() {
    return html`
      <form class="sheet stack" @submit=${(e) => this.#write(e)}>
        <label>Note for the desk<textarea required .value=${this.note} @input=${(e) => { this.note = e.target.value; this.changed(); }}></textarea></label>
        <div class="row"><button>Write it down</button></div>
      </form>
      <details class="sheet" ?open=${Boolean(this.letterTrouble)}><summary><h3>Mail the letter</h3></summary>
        <form class="stack" @submit=${(e) => this.#mail(e)}>
          <label>To<input class="block" type="email" required .value=${this.to ?? ""} @input=${(e) => { this.to = e.target.value; }}></label>
          ${this.letterTrouble ? html`<p class="fault" role="alert">${this.letterTrouble}</p>` : nothing}
          <div class="row"><button>Send it</button><span class="soft small">Read it first: “Letter (PDF)”. It goes as it is now, and a copy is kept.</span></div>
        </form></details>
      ${this.#link()}
      ${this.changes.view(Boolean(this.file.closed_at))}
      <details class="sheet"><summary><h3>What it turned out to be</h3></summary>
        <form class="stack" @submit=${(e) => this.#confirm(e)}>
          <label>Known how<select class="block" @change=${(e) => { this.truth.source = e.target.value; this.changed(); }}>
            ${Object.entries(SOURCES).map(([value, words]) => html`<option value=${value} .selected=${value === this.truth.source}>${words}</option>`)}</select></label>
          <label>Part number; empty if it is none of ours<input class="block" .value=${this.truth.part} @input=${(e) => { this.truth.part = e.target.value; this.changed(); }}></label>
          <div class="row"><button>Keep it</button></div>
        </form></details>`;
  }

  #history() {
    const { rounds, decisions, notes, confirmations, lift_tables: tables, trail } = this.file;
    const told = [
      ...rounds.map((each) => [each.answered_at, `Answer ${each.number}, from ${each.readings} readings: ${stateOf(each.state)}${each.leading_part ? `; ${each.leading_part} leads with ${percent(each.probability)}` : ""}`, each.asked_for ? `Asked: ${each.asked_for}` : ""]),
      ...decisions.map((each) => [each.at, `${each.by} decided: ${verdictOf(each)}, ${each.confidence}`, each.reason]),
      ...notes.map((each) => [each.at, `${each.by} noted`, each.text]),
      ...confirmations.map((each) => [each.at, `${SOURCES[each.source] ?? plain(each.source)}: ${verdictOf(each)}`, each.note ?? ""]),
      ...tables.map((each) => [each.at, `${each.by} kept lift tables: ${each.lobes.map(({ lobe }) => lobe).join(", ")}${each.withdrawn ? " (withdrawn)" : ""}`, each.bench?.messages.join(" ") ?? ""]),
      ...this.letters.map((each) => [each.issued_at, `${each.issued_by} issued a letter`, each.messages.filter(({ channel }) => channel === "email").map((mail) => `To ${mail.recipient}: ${MESSAGES[mail.state] ?? mail.state}${mail.last_error ? ` (${mail.last_error})` : ""}`).join("; ")]),
    ].sort(([a], [b]) => a.localeCompare(b));
    return html`
      <section class="sheet stack" aria-labelledby="history"><h2 id="history">What happened</h2>
        <ol class="timeline">${told.map(([at, what, more]) => html`<li><time datetime=${at}>${clock(at)}</time><div><p>${what}</p>${more ? html`<p class="small soft">${more}</p>` : nothing}</div></li>`)}</ol>
        <details><summary class="small">Who looked and changed what (${trail.length})</summary>
          <ul class="small">${trail.map((each) => html`<li>${clock(each.at)}: ${each.who}, ${plain(each.action)}</li>`)}</ul></details>
      </section>`;
  }

  onKey(key) {
    const does = { F2: () => this.file && !this.file.closed_at && this.resume(this.file), F8: () => this.copySummary() }[key];
    does?.();
    return Boolean(does);
  }
}
