/** Shafts that are posted in: which are on their way or here, and what happened to one. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { Conditions, recordView } from "./instruments.js";
import { Photos, save } from "./pictures.js";
import { TOOLS, bodyOf, emptyCall, faultOf, labelOf, toolsFor } from "./readings.js";
import { capital, clock, day, plain, wordsOf } from "./words.js";

const STATES = ["announced", "received", "measured", "reported", "returned", "scrapped", "withdrawn"];

/** All of them, and a form for a new one. */
export class Shafts {
  constructor(api, { changed, say, notice }) {
    Object.assign(this, { api, changed, say, notice, which: "", items: null, cursor: null, trouble: "", fresh: blank() });
  }

  async load(cursor = null) {
    const query = new URLSearchParams(this.which);
    query.set("limit", "50");
    if (cursor) query.set("cursor", cursor);
    try {
      const { body } = await this.api.get(`/v1/mail-ins?${query}`);
      this.items = cursor ? [...this.items, ...body.items] : body.items;
      this.cursor = body.next_cursor;
      this.trouble = "";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** By the reference on its label, typed or scanned. */
  async #open(event) {
    event.preventDefault();
    const reference = String(new FormData(event.target).get("reference")).trim();
    if (!reference) return;
    try {
      const { body } = await this.api.get(`/v1/mail-ins?${new URLSearchParams({ reference })}`);
      if (body.items.length) location.hash = `#/shaft/${body.items[0].id}`;
      else this.trouble = "No shaft has this reference.";
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  async #announce(event) {
    event.preventDefault();
    const { name, email, address, note } = this.fresh;
    const contact = Object.fromEntries(Object.entries({ name, email }).filter(([, value]) => value.trim()));
    const lines = address.split("\n").map((line) => line.trim()).filter(Boolean);
    const body = { send_back_to: lines, ...(Object.keys(contact).length ? { contact } : {}), ...(note.trim() ? { note: note.trim() } : {}) };
    try {
      const { body: made } = await this.api.postOnce("/v1/mail-ins", body);
      this.fresh = blank();
      this.say(`Announced as ${made.spoken}.`);
      location.hash = `#/shaft/${made.id}`;
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  view() {
    const { items } = this;
    const input = (name, words, type = "text") => html`<label>${words}<input class="block" type=${type} .value=${this.fresh[name]} @input=${(e) => { this.fresh[name] = e.target.value; }}></label>`;
    return html`
      <div class="stack desk-list">
        <h1>Shafts by post</h1>
        <div class="sheet stack">
          <form class="row" autocomplete="off" @submit=${(e) => this.#open(e)}>
            <label class="row">Label<input name="reference" placeholder="M 0000 0000" spellcheck="false"></label><button class="first">Open</button></form>
          <label class="row">Show<select @change=${(e) => { this.which = e.target.value; this.load(); }}>
            <option value="">all</option><option value="overdue=true" .selected=${this.which === "overdue=true"}>overdue</option>
            ${STATES.map((state) => html`<option value="state=${state}" .selected=${this.which === `state=${state}`}>${state}</option>`)}</select></label>
        </div>
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        ${items?.length === 0 ? html`<p class="first-hint">${this.which ? "No shaft like that." : "No shaft has been announced yet."}</p>` : nothing}
        ${items?.length ? html`
          <div class="wide" tabindex="0" role="region" aria-label="Shafts">
          <table class="queue"><caption class="unseen">Shafts, the first announced first</caption>
            <thead><tr><th scope="col">Shaft</th><th scope="col">Stands</th><th scope="col">Lies</th><th scope="col">Since</th><th scope="col">Next thing due</th></tr></thead>
            <tbody>${items.map((each) => html`
              <tr><th scope="row"><a href="#/shaft/${each.id}">${each.spoken}</a></th><td>${each.state}</td><td>${each.place ?? "not here"}</td><td>${day(each.state_since)}</td>
                <td class=${each.overdue ? "late" : ""}>${each.due_at ? day(each.due_at) : "–"}${each.overdue ? " (late)" : ""}</td></tr>`)}</tbody>
          </table></div>
          ${this.cursor ? html`<div class="row"><button type="button" @click=${() => this.load(this.cursor)}>More</button></div>` : nothing}` : nothing}
        <details class="sheet"><summary><h2>Announce a shaft</h2></summary>
          <form class="stack" autocomplete="off" @submit=${(e) => this.#announce(e)}>
            ${input("name", "Name")}${input("email", "E-mail", "email")}
            <label>Goes back to<textarea .value=${this.fresh.address} @input=${(e) => { this.fresh.address = e.target.value; }}></textarea></label>
            ${input("note", "Note")}
            ${this.notice ? html`<p class="small soft">Read out: ${this.notice}</p>` : nothing}
            <div class="row"><button>Announce it</button></div>
          </form></details>
      </div>`;
  }

  onKey() {
    return false;
  }
}

const blank = () => ({ name: "", email: "", address: "", note: "" });

/** What may happen to a shaft in each state, and how a button says it. */
const MOVES = {
  announced: ["received", "withdrawn"],
  received: ["measured", "moved", "consented", "returned", "scrapped"],
  measured: ["reported", "measured", "moved", "consented", "returned", "scrapped"],
  reported: ["returned", "measured", "moved", "consented", "scrapped"],
  returned: [],
  scrapped: [],
  withdrawn: [],
};
const WORDS = {
  received: "It has come",
  measured: "Measured here",
  moved: "Moved to another place",
  reported: "Report it: issue the letter",
  consented: "Owner agrees to scrapping",
  returned: "Sent back",
  scrapped: "Scrapped",
  withdrawn: "It will not come",
};
const CONDITIONS = ["sound", "worn", "rusted", "pitted", "cracked", "bent", "welded", "damaged_in_post"];

/** One shaft: where it lies, all that happened to it, its photos, and what happens next. */
export class Shaft {
  constructor(api, id, { changed, say, person }) {
    Object.assign(this, { api, id, changed, say, person, shaft: null, trouble: "", told: fresh() });
    this.photos = new Photos(api, { changed, say });
    this.conditions = new Conditions(api, { changed });
  }

  async load() {
    try {
      const { body, etag } = await this.api.get(`/v1/mail-ins/${this.id}`);
      Object.assign(this, { shaft: body, etag, trouble: "" });
      this.told.kind = MOVES[body.state].includes(this.told.kind) ? this.told.kind : MOVES[body.state][0];
      this.changed();
      if (["received", "measured", "reported"].includes(body.state)) this.conditions.load();
      await this.photos.show(body.photos);
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  async #record(event) {
    event.preventDefault();
    const { kind, place, note, tracking, condition } = this.told;
    const body = { kind, ...(this.person ? { by: this.person } : {}), ...(this.shaft.place ? { taken_from: this.shaft.place } : {}) };
    if (["received", "moved"].includes(kind)) body.place = place.trim();
    if (note.trim()) body.note = note.trim();
    if (kind === "received" && condition.length) body.condition = condition;
    if (kind === "returned" && tracking.trim()) body.tracking = tracking.trim();
    if (kind === "reported" && this.told.mail) body.letter = { to: this.shaft.contact.email };
    if (kind === "measured") {
      const { readings, counts } = bodyOf({ ...emptyCall(), rows: this.told.rows }).body;
      Object.assign(body, { readings, instrument: this.told.instrument, unit: this.shaft.unit, ...(counts ? { counts } : {}) });
      const bench = this.conditions.bodyOf(this.person);
      if (bench) body.bench = bench;
    }
    try {
      await this.api.postOnce(`/v1/mail-ins/${this.id}/events`, body, { headers: { "If-Match": this.etag } });
      this.told = fresh();
      this.conditions.clear();
      this.say("Recorded.");
      await this.load();
    } catch (error) {
      const trouble = error.status === 412 ? "Somebody else has recorded something since; look again." : wordsOf(error);
      if (error.status === 412) await this.load();
      this.trouble = trouble;
      this.changed();
    }
  }

  async #paper(name) {
    try {
      await save(this.api, this.shaft[name], `${this.shaft.reference}-${name}.pdf`);
    } catch (error) {
      this.trouble = wordsOf(error);
      this.changed();
    }
  }

  view() {
    const { shaft } = this;
    if (!shaft) return html`<div class="stack desk-list"><h1>Shaft</h1>${this.trouble ? html`<p class="fault">${this.trouble}</p>` : html`<p>Working…</p>`}</div>`;
    const contact = Object.values(shaft.contact ?? {}).filter(Boolean);
    return html`
      <div class="desk">
        <div class="stack">
          <h1>Shaft ${shaft.spoken}</h1>
          <p><strong>${capital(shaft.state)}</strong>${shaft.place ? html`, lies at <strong>${shaft.place}</strong>` : ", not here"}.
            ${shaft.due_at ? html`<span class=${shaft.overdue ? "late" : "soft"}>Next thing due ${day(shaft.due_at)}${shaft.overdue ? ", late" : ""}.</span>` : nothing}
            ${shaft.consented ? "Its owner agrees to scrapping." : nothing}</p>
          <div class="row">
            <button type="button" @click=${() => this.#paper("slip")}>Packing slip (PDF)</button>
            <button type="button" @click=${() => this.#paper("label")}>Label (PDF)</button>
            ${shaft.submission ? html`<a href="#/case/${shaft.submission}">Its case</a>` : nothing}
            ${["received", "measured", "reported"].includes(shaft.state) ? html`<a href=${shaft.lift_tables ? `#/bench/${shaft.id}` : "#/bench"}>To the bench</a>` : nothing}
          </div>
          ${this.#form()}
          <div class="sheet stack">
            <p>${contact.length ? contact.join(", ") : html`<span class="soft">No name or address.</span>`}</p>
            ${shaft.send_back_to.length ? html`<p class="small">Goes back to: ${shaft.send_back_to.join(", ")}</p>` : nothing}
            ${shaft.note ? html`<p class="small">Note: ${shaft.note}</p>` : nothing}
          </div>
        </div>
        <div class="stack">
          ${shaft.lift_tables?.length ? html`<p class="sheet">${shaft.lift_tables.length === 1 ? "One lift table is" : `${shaft.lift_tables.length} lift tables are`} kept with this shaft; its case has the figures.</p>` : nothing}
          <section class="sheet stack" aria-labelledby="timeline"><h2 id="timeline">What happened</h2>
            <ol class="timeline">${shaft.events.map((each) => html`
              <li><time datetime=${each.at}>${clock(each.at)}</time>
                <div><p><strong>${capital(plain(each.kind))}</strong> <span class="soft">by ${each.who}, ${each.place}</span></p>
                  ${each.condition.length ? html`<p class="small">Looked ${each.condition.map(plain).join(", ")}.</p>` : nothing}
                  ${each.note ? html`<p class="small">${each.note}</p>` : nothing}
                  ${each.details.tracking ? html`<p class="small">Carrier's number ${each.details.tracking}</p>` : nothing}
                  ${each.details.lift_table ? html`<p class="small">From a lift table.</p>` : nothing}
                  ${each.details.round ? html`<p class="small">Readings are round ${each.details.round} of its case.</p>` : nothing}
                  ${recordView(each.details.bench)}</div></li>`)}</ol></section>
          <div class="sheet stack">${this.photos.view(shaft.state === "announced" ? null
            : (photo) => this.photos.add(`/v1/mail-ins/${this.id}/photos`, photo, async () => { await this.load(); return this.shaft.photos; }))}</div>
        </div>
      </div>`;
  }

  #form() {
    const moves = MOVES[this.shaft.state];
    if (!moves.length) return nothing;
    const { told } = this;
    const input = (name, words, needed = false) => html`<label>${words}<input class="block" ?required=${needed} maxlength="100" .value=${told[name]} @input=${(e) => { told[name] = e.target.value; }}></label>`;
    return html`
      <form class="sheet stack" autocomplete="off" @submit=${(e) => this.#record(e)}>
        <label>What happens now<select class="block" @change=${(e) => { told.kind = e.target.value; this.changed(); }}>
          ${moves.map((kind) => html`<option value=${kind} .selected=${kind === told.kind}>${WORDS[kind]}</option>`)}</select></label>
        ${["received", "moved"].includes(told.kind) ? input("place", "Where it lies now", true) : nothing}
        ${told.kind === "received" ? html`<fieldset><legend class="small soft">It looks</legend><div class="tools">
          ${CONDITIONS.map((each) => html`<label><input type="checkbox" .checked=${told.condition.includes(each)}
            @change=${(e) => { told.condition = e.target.checked ? [...told.condition, each] : told.condition.filter((it) => it !== each); }}>${plain(each)}</label>`)}</div></fieldset>` : nothing}
        ${told.kind === "measured" ? this.#readings() : nothing}
        ${told.kind === "reported" && this.shaft.contact?.email ? html`<label class="tools"><input type="checkbox" .checked=${told.mail} @change=${(e) => { told.mail = e.target.checked; }}>Mail the letter to ${this.shaft.contact.email}</label>` : nothing}
        ${told.kind === "returned" ? input("tracking", "Carrier's number") : nothing}
        ${input("note", told.kind === "consented" ? "How the owner said so" : "Note for the house", told.kind === "consented")}
        ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
        <div class="row"><button class="first">Record it</button></div>
      </form>`;
  }

  #readings() {
    const { told } = this;
    return html`
      <label>Tool<select class="block" @change=${(e) => { told.instrument = e.target.value; }}>
        ${toolsFor("lobe_height").map((tool) => html`<option value=${tool} .selected=${tool === told.instrument}>${TOOLS[tool]}</option>`)}</select></label>
      <div class="entries">${told.rows.map((row) => html`
        <div class="entry"><label for=${row.id}>${labelOf(row.reading)}</label>
          <input id=${row.id} class="values" inputmode="decimal" .value=${row.text} aria-invalid=${faultOf(row) ? "true" : "false"} @input=${(e) => { row.text = e.target.value; this.changed(); }}>
          <span class="soft small">${row.reading.feature === "gear_teeth" ? "" : this.shaft.unit}</span></div>`)}</div>
      ${this.conditions.view(this.shaft.unit)}`;
  }

  onKey() {
    return false;
  }
}

const fresh = () => ({ kind: "", place: "", note: "", tracking: "", mail: false, condition: [], instrument: "outside_micrometer", rows: emptyCall().rows });
