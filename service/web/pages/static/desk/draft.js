/** One draft of the catalogue, as its owner reads it: faults, warnings, what publishing would do; published or discarded. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { drawingOf } from "./answer.js";
import { changeList, many } from "./catalogue.js";
import { save } from "./pictures.js";
import { aloud, clock, plain, wordsOf } from "./words.js";

const MOST_FINDINGS = 200;

/** `parts.csv:12:intake.lift` as [file, row, column]; a JSON Pointer is one thing. */
function placeOf(place) {
  const found = /^(.+?):(\d+)(?::(.+))?$/.exec(place);
  return found ? found.slice(1) : [place];
}

export class Draft {
  constructor(api, id, { changed, say }) {
    Object.assign(this, { api, id, changed, say, draft: null, unit: "in", reason: "", doubted: false, trouble: "" });
  }

  get path() {
    return `/v1/catalogue/drafts/${this.id}`;
  }

  async load() {
    try {
      const { body, etag } = await this.api.get(`${this.path}?unit=${this.unit}`);
      const drawings = body.effects?.drawings.map(({ svg }) => drawingOf(svg)) ?? [];
      Object.assign(this, { draft: body, etag, drawings });
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  async #publish(event) {
    event.preventDefault();
    const query = new URLSearchParams({ reason: this.reason.trim() });
    try {
      const { body } = await this.api.postOnce(`${this.path}/publish?${query}`, undefined, { headers: { "If-Match": this.etag } });
      this.say(`Published: revision ${body.revision} is active.`);
      location.hash = "#/catalogue";
    } catch (error) {
      this.trouble = error.status === 412 ? "Another revision has become active since; this is what publishing would do now. Read it again." : wordsOf(error);
      if (error.status === 412) await this.load();
      this.changed();
    }
  }

  /** What cannot be had again is asked for twice. */
  async #discard() {
    if (!this.doubted) {
      this.doubted = true;
      return this.changed();
    }
    try {
      await this.api.delete(this.path);
      this.say("The draft is discarded.");
      location.hash = "#/catalogue";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    return this.changed();
  }

  async #save(sheet) {
    try {
      await save(this.api, `${this.path}/corrected/${sheet}`, sheet);
    } catch (error) {
      this.trouble = wordsOf(error);
      this.changed();
    }
  }

  view() {
    const { draft } = this;
    if (!draft) return html`<div class="stack desk-list"><h1>Draft</h1>${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p><p><a href="#/catalogue">To the catalogue</a></p>` : html`<p>Working…</p>`}</div>`;
    return html`
      <div class="stack desk-list">
        <div class="row heading"><h1>Draft: ${draft.name}</h1>
          <label class="row">Unit<select @change=${(e) => { this.unit = e.target.value; this.load(); }}><option value="in">inches</option><option value="mm" .selected=${this.unit === "mm"}>millimetres</option></select></label></div>
        <p class="small"><a href="#/catalogue">All drafts and revisions</a></p>
        <p class="soft">Uploaded ${clock(draft.made_at)} by ${draft.made_by}.${draft.remarks.length ? ` How it was read: ${draft.remarks.join("; ")}.` : ""}</p>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${draft.effects ? this.#summary(draft.effects) : html`<p class="slip">${many(draft.fault_count, "thing")} ${draft.fault_count === 1 ? "is" : "are"} wrong with these files, so nothing of them can be published. Mend the file and upload it anew.</p>`}
        ${draft.fault_count ? this.#findings("Faults", draft.faults, draft.fault_count) : nothing}
        ${draft.warning_count ? this.#findings("Warnings", draft.warnings, draft.warning_count, "Doubtful, and taken all the same: hold each against the supplier's paper.") : nothing}
        ${draft.effects ? this.#effects(draft.effects) : nothing}
        ${draft.corrected.length ? this.#corrected() : nothing}
        ${this.#ending()}
      </div>`;
  }

  #summary(effects) {
    return html`<section class="sheet stack" aria-labelledby="summary"><h2 id="summary">What publishing would do</h2>
      <ul class="advice">${effects.summary.map((line) => html`<li>${line}</li>`)}</ul></section>`;
  }

  #findings(title, findings, count, hint) {
    const id = title.toLowerCase();
    const shown = findings.slice(0, MOST_FINDINGS);
    const rows = shown.map((each) => ({ ...each, at: placeOf(each.place) }));
    const inSheets = rows.some(({ at }) => at.length > 1);
    return html`
      <section class="sheet stack" aria-labelledby=${id}><h2 id=${id}>${title} <span class="soft small">${count}</span></h2>
        ${hint ? html`<p class="soft small">${hint}</p>` : nothing}
        <div class="wide" tabindex="0" role="group" aria-labelledby=${id}>
        <table class="findings"><caption class="unseen">${title}, row by row</caption>
          <thead><tr>${inSheets ? html`<th scope="col">File</th><th scope="col">Row</th><th scope="col">Column</th>` : html`<th scope="col">Where</th>`}<th scope="col">Stands there</th><th scope="col">What is said of it</th></tr></thead>
          <tbody>${rows.map(({ at, value, detail }) => html`
            <tr>${inSheets ? html`<td>${at[0]}</td><td>${at[1] ?? ""}</td><td>${at[2] ?? ""}</td>` : html`<td>${at[0]}</td>`}
              <td>${value === null ? html`<span class="soft">–</span>` : html`<code>${value}</code>`}</td><td>${detail}</td></tr>`)}</tbody></table></div>
        ${count > shown.length ? html`<p class="soft small">And ${count - shown.length} more.</p>` : nothing}
      </section>`;
  }

  #corrected() {
    return html`
      <section class="sheet stack" aria-labelledby="corrected"><h2 id="corrected">The sheets as they should be</h2>
        <p class="soft small">With decimal points, units in the column names and no stray blanks. What could mean two things stays as it was written, for a person to settle.</p>
        <div class="row">${this.draft.corrected.map((sheet) => html`<button type="button" @click=${() => this.#save(sheet)}>Save ${sheet}</button>`)}</div></section>`;
  }

  #effects(effects) {
    return html`
      ${effects.stranded.length ? html`
        <section class="sheet stack" aria-labelledby="stranded"><h2 id="stranded">Parts that vanish while open cases point to them</h2>
          <ul class="advice">${effects.stranded.map((each) => html`<li>${each.part_number}: case <a href="#/case/${each.case}">${aloud(each.reference)}</a></li>`)}</ul></section>` : nothing}
      ${this.#pairs("untellable", "Parts that no kit can tell apart", effects.untellable, effects.untellable_count)}
      ${this.#pairs("created", "Look-alikes the change creates", effects.look_alikes_created, effects.look_alikes_created_count)}
      ${this.#pairs("removed", "Look-alikes the change removes", effects.look_alikes_removed, effects.look_alikes_removed_count)}
      <section class="sheet stack" aria-labelledby="difference"><h2 id="difference">What becomes another</h2>${changeList(effects.changes, this.#changeCount(effects))}</section>
      <section class="sheet stack" aria-labelledby="drawn"><h2 id="drawn">Drawn</h2>
        <div class="plots">${effects.drawings.map(({ title }, n) => html`<details ?open=${n === 0}><summary><h3>${title}</h3></summary><div class="chart wide" tabindex="0" role="group" aria-label=${title}>${this.drawings[n]}</div></details>`)}</div></section>`;
  }

  #changeCount({ counts }) {
    return Object.values(counts).flatMap((of) => Object.values(of)).reduce((sum, each) => sum + each, 0);
  }

  #pairs(id, title, pairs, count) {
    if (!count) return nothing;
    return html`
      <section class="sheet stack" aria-labelledby=${id}><h2 id=${id}>${title} <span class="soft small">${count}</span></h2>
        <div class="wide" tabindex="0" role="group" aria-labelledby=${id}>
        <table><caption class="unseen">${title}</caption>
          <thead><tr><th scope="col">Two parts</th><th scope="col">Sizes apart by</th><th scope="col">Told apart by</th></tr></thead>
          <tbody>${pairs.map((pair) => html`
            <tr><th scope="row"><span class="whole">${pair.part_number}</span> / <span class="whole">${pair.other}</span></th>
              <td>${pair.sizes_apart} ${this.unit}</td><td>${plain(pair.separated_by)}${pair.where ? ` (${pair.where})` : ""}</td></tr>`)}</tbody></table></div>
        ${count > pairs.length ? html`<p class="soft small">And ${count - pairs.length} more.</p>` : nothing}
      </section>`;
  }

  #ending() {
    const discard = html`<button type="button" @click=${() => this.#discard()}>${this.doubted ? "Discard it for good" : "Discard the draft"}</button>`;
    if (!this.draft.effects) return html`<div class="row">${discard}</div>`;
    return html`
      <form class="sheet stack" @submit=${(e) => this.#publish(e)}>
        <h2>Publish it</h2>
        <p class="soft">It becomes the active revision at once, all of it. Open and recent cases are asked again; nobody is told by that.</p>
        <label>Why<input class="block" required maxlength="400" .value=${this.reason} @input=${(e) => { this.reason = e.target.value; }}></label>
        <div class="row"><button class="first">Publish</button>${discard}</div>
      </form>`;
  }

  onKey() {
    return false;
  }
}
