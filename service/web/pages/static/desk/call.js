/** Taking a call: what is typed on the left, what it comes to on the right, and the next thing to say. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { Latest, Refused, Unreachable } from "../shared/api.js";
import { advice, candidates, cautions, chart, derived, evidence, headline, summary, verdict } from "./answer.js";
import { MORE, QUALIFIERS, TOOLS, additionTo, bodyOf, callOf, correct, emptyCall, faultOf, labelOf, makeRow, moreLabelOf, rowFor, toolsFor, wholeBodyOf } from "./readings.js";
import { aloud } from "./words.js";

const QUIET_MS = 250;
const RETRY_MS = 3000;
const DRAFT = "lobedesk.call";

const CHOICES = {
  source: [["phone", "Telephone"], ["counter", "Counter"]],
  unit: [["in", "Inches"], ["mm", "Millimetres"]],
  instrument: [["", "Tool not said"], ...Object.entries(TOOLS)],
  experience: [["", "Not said"], ["first_time", "First time"], ["practised", "Practised"]],
  condition: [["", "Not said"], ["used", "Used"], ["new", "New"]],
};
const NAMES = { source: "By", unit: "Unit", instrument: "Tool", experience: "Hand", condition: "Shaft" };

/** What is said of a call beside its readings: its label on the page, and how long it may be. */
const SAID = {
  engine_family: ["Engine it is said to be from", 100],
  markings: ["Marks on the shaft (kept, never used)", 200],
  name: ["Name", 200],
  email: ["E-mail", 254],
  phone: ["Telephone", 50],
  note: ["Note", 4000],
};

/** A fault in words, with the field it is of, where that is one of these. */
const faultInWords = ({ pointer, detail }) => {
  const name = pointer.split("/").find((step) => step in SAID);
  return name ? `${SAID[name][0]}: ${detail}` : detail;
};

/** A call being taken. `changed()` is called whenever the screen has to be drawn again. */
export class Call {
  constructor(api, { changed, say, copy, signOut, person }) {
    Object.assign(this, { api, changed, say, copy, signOut, person, notice: "" });
    this.call = readDraft();
    this.reset();
    this.latest = new Latest(
      (signal) => {
        const { body, rowOf } = bodyOf(this.call);
        return this.api.post("/v1/previews", body, { signal }).then(({ body: said }) => ({ said, rowOf, readings: body.readings }));
      },
      (result, error) => this.#answered(result, error),
      QUIET_MS,
    );
    this.ask(0);
  }

  reset() {
    Object.assign(this, { said: null, rowOf: [], readings: [], drawing: null, asking: false, offline: false, faults: new Map(), trouble: "", keeping: null, before: null });
  }

  /** Something was typed or chosen. */
  edited(quietMs) {
    writeDraft(this.call);
    this.before = null;
    this.ask(quietMs);
    this.changed();
  }

  ask(quietMs) {
    const { body } = bodyOf(this.call);
    this.asking = body.readings.length > 0;
    if (this.asking) this.latest.change(quietMs);
    else {
      this.latest.cancel();
      Object.assign(this, { said: null, faults: new Map(), trouble: "" });
    }
  }

  #answered(result, error) {
    this.asking = false;
    this.faults = new Map();
    this.trouble = "";
    if (error instanceof Unreachable) {
      this.offline = true;
      this.asking = true;
      this.latest.change(RETRY_MS);
    } else if (error instanceof Refused && error.status === 401) {
      this.signOut("Your key is no longer taken here; sign in again. The call is kept.");
    } else if (error instanceof Refused) {
      this.offline = false;
      const { rowOf } = bodyOf(this.call);
      for (const fault of error.problem.errors ?? []) {
        const place = /^\/readings\/(\d+)/.exec(fault.pointer);
        if (place && rowOf[place[1]]) this.faults.set(rowOf[place[1]], fault.detail);
        else this.trouble = faultInWords(fault);
      }
      if (!this.faults.size && !this.trouble) this.trouble = error.message;
    } else if (error) {
      throw error;
    } else {
      this.offline = false;
      const { said, rowOf, readings } = result;
      Object.assign(this, { said, rowOf, readings, drawing: chart(said.chart) });
      this.say(`${headline(said)}. ${said.suspected_slips[0]?.message ?? ""} ${said.next_reading?.message ?? ""}`);
    }
    this.changed();
  }

  /** The line is back, or may be. */
  tryAgain() {
    if (this.offline) this.ask(0);
    if (this.keeping?.waiting) this.#keepOn();
  }

  // -- the four keys ------------------------------------------------------------------------------------------------

  goToNext() {
    if (!this.said?.next_reading) return;
    const { next_reading: wanted } = this.said;
    const row = rowFor(this.call, wanted);
    if (!row.text.trim() && wanted.instrument) row.tool = wanted.instrument === this.call.instrument ? "" : wanted.instrument;
    writeDraft(this.call);
    this.changed();
    document.getElementById(row.id)?.focus();
  }

  correctFirst(slip = this.said?.suspected_slips.find((each) => each.correction)) {
    if (slip) this.#correct(slip, this.rowOf);
  }

  #correct(slip, rowOf) {
    const before = structuredClone(this.call);
    correct(this.call, slip.correction, rowOf);
    this.edited(0);
    this.before = before;
    this.say("Corrected.");
    this.changed();
  }

  undo() {
    this.call = this.before;
    this.edited(0);
  }

  copySummary() {
    if (!this.said) return;
    const values = this.readings.map(({ values: each }) => each.join("  "));
    this.copy(summary(this.said, this.readings, values, this.call.kept?.reference));
  }

  /**
   * Keep the call: a new case, or what is new for the case it is already. Where what was kept is another now, a new case
   * that takes its place. Sent again with the same key if need be.
   */
  async keep() {
    const body = wholeBodyOf(this.call);
    if (!body.readings.length || this.keeping?.sending || this.isKept) return;
    const { kept } = this.call;
    const addition = kept && additionTo(kept.body, body);
    const path = addition ? `/v1/submissions/${kept.id}/readings` : "/v1/submissions";
    this.keeping = { sending: true, waiting: false };
    this.changed();
    try {
      const { body: answer } = await this.api.postOnce(path, addition ?? body);
      const before = addition ? kept.before : kept && { id: kept.id, reference: kept.reference, closed: false };
      this.call.kept = { id: answer.id, reference: answer.reference, review: answer.review, body, before };
      this.keeping = null;
      writeDraft(this.call);
      this.say(`Kept as ${answer.reference}.`);
    } catch (error) {
      this.#notKept(error);
    }
    this.changed();
    await this.#closeBefore();
  }

  /** The case that another has taken the place of waits for nothing and nobody any more. */
  async #closeBefore() {
    const { kept } = this.call;
    if (!kept?.before || kept.before.closed || this.keeping) return;
    try {
      const by = this.person ? { person: this.person } : {}; // who has its review in hand closes it
      await this.api.postOnce(`/v1/cases/${kept.id}/notes`, { ...by, text: `Took the place of ${kept.before.reference}, which was corrected in mid-call.` });
      await this.api.postOnce(`/v1/cases/${kept.before.id}/close`, { ...by, why: "withdrawn", reason: `Corrected in mid-call; ${kept.reference} took its place.` });
      kept.before.closed = true;
      writeDraft(this.call);
    } catch (error) {
      this.#notKept(error, `${kept.before.reference} is still open: `);
    }
    this.changed();
  }

  #notKept(error, before = "") {
    const waiting = error instanceof Unreachable;
    if (!waiting && !(error instanceof Refused)) throw error;
    this.keeping = { sending: false, waiting, trouble: waiting ? "" : before + (error.problem.errors?.length ? error.problem.errors.map(faultInWords).join(" ") : error.message) };
    if (waiting) setTimeout(() => this.keeping?.waiting && this.#keepOn(), RETRY_MS);
  }

  /** What did not get through, once more. */
  #keepOn() {
    if (!this.isKept) return this.keep();
    this.keeping = null;
    return this.#closeBefore();
  }

  /** What keeping would do to the call that was kept: null where it would be another case, empty where nothing is new. */
  get #addition() {
    return this.call.kept && additionTo(this.call.kept.body, wholeBodyOf(this.call));
  }

  get isKept() {
    return Boolean(this.#addition) && !Object.keys(this.#addition).length;
  }

  startNew() {
    this.latest.cancel();
    this.call = emptyCall();
    this.reset();
    writeDraft(this.call);
    this.changed();
    document.querySelector(".entry input")?.focus();
  }

  /** Go on with a case that was kept before, a slip of it corrected if one is given; false where a call is under way that was not. */
  resume(file, slip) {
    if (bodyOf(this.call).body.readings.length && !this.isKept) return false;
    this.latest.cancel();
    const { call, rowOf } = callOf(file);
    this.call = call;
    this.reset();
    writeDraft(this.call);
    if (slip) this.#correct(slip, rowOf);
    else this.ask(0);
    return true;
  }

  // -- the screen ---------------------------------------------------------------------------------------------------

  view() {
    return html`
      ${this.offline || this.keeping?.waiting ? html`<p class="offline">No connection. What you type is safe on this computer; trying again…</p>` : nothing}
      <div class="desk">
        <form class="stack" autocomplete="off" @submit=${(e) => e.preventDefault()} @keydown=${this.moveByKey}>
          <h1>Call ${this.call.kept ? html`<span class="soft">kept as <a href="#/case/${this.call.kept.id}">${aloud(this.call.kept.reference)}</a></span>` : nothing}</h1>
          ${this.call.kept?.before ? html`<p class="late">It took the place of ${aloud(this.call.kept.before.reference)}${this.call.kept.before.closed ? ", which is closed" : ""}: give the caller the new reference.</p>` : nothing}
          ${this.#settings()}
          ${this.#entries()}
          ${this.#caller()}
          <div class="row">
            <button type="button" class="first" ?disabled=${!bodyOf(this.call).body.readings.length || this.isKept || this.keeping?.sending} @click=${() => this.keep()}>
              ${this.#keepWords()}<kbd>F9</kbd></button>
            <button type="button" @click=${() => this.startNew()}>New call</button>
            ${this.keeping?.trouble ? html`<p class="fault">${this.keeping.trouble}</p>` : nothing}
          </div>
          <p class="keys">Enter or ↓ goes to the next reading. Repeats: leave a blank between. Fractions: 13/16 or 1-3/16.</p>
        </form>
        <section class="stack" aria-label="Answer">${this.#answer()}</section>
      </div>
      ${this.said ? html`
        <div class="strip" aria-hidden="true"><p><strong>${headline(this.said)}</strong>${this.said.next_reading ? html`<br>${this.said.next_reading.message}` : nothing}</p></div>` : nothing}`;
  }

  #keepWords() {
    if (!this.call.kept) return "Keep call";
    if (this.isKept) return "Kept";
    return this.#addition ? "Keep what is new" : "Keep as a new case";
  }

  #settings() {
    const select = (name) => html`
      <label>${NAMES[name]}
        <select .value=${this.call[name]} @change=${(e) => { this.call[name] = e.target.value; this.edited(0); }}>
          ${CHOICES[name].map(([value, words]) => html`<option value=${value} .selected=${value === this.call[name]}>${words}</option>`)}
        </select></label>`;
    return html`<div class="settings sheet">${["unit", "instrument", "experience", "condition", "source"].map(select)}</div>`;
  }

  #entries() {
    const wanted = this.said?.next_reading && rowFor({ ...this.call, rows: [...this.call.rows] }, this.said.next_reading).id;
    return html`
      <div class="sheet stack">
        <div class="entries">${this.call.rows.map((row) => this.#entry(row, row.id === wanted))}</div>
        <div class="row small">
          <label for="another">Another reading</label>
          <select id="another" @keydown=${(e) => { if (e.key === "Enter") { e.preventDefault(); this.#add(e.target); } }}>
            <option value="">choose…</option>
            ${MORE.map((reading, i) => html`<option value=${i}>${moreLabelOf(reading)}</option>`)}
          </select>
          <button type="button" @click=${() => this.#add(document.getElementById("another"))}>Add it</button></div>
      </div>`;
  }

  #entry(row, wanted) {
    const fault = faultOf(row) || this.faults.get(row.id);
    const label = labelOf(row.reading);
    const set = (change) => { change(); this.edited(); };
    return html`
      <div class="entry ${wanted ? "wanted" : ""} ${row.text.trim() ? "" : "empty"}">
        <label for=${row.id}>${label}</label>
        <input id=${row.id} class="values" inputmode="decimal" spellcheck="false" .value=${row.text}
          aria-invalid=${fault ? "true" : "false"} aria-describedby=${fault ? `${row.id}-fault` : nothing}
          @input=${(e) => set(() => { row.text = e.target.value; })}>
        ${row.reading.feature === "gear_teeth" ? html`<span></span>` : html`
          <select class="tool" aria-label="Tool for ${label}" .value=${row.tool} @change=${(e) => set(() => { row.tool = e.target.value; })}>
            <option value="">same tool</option>
            ${toolsFor(row.reading.feature).map((tool) => html`<option value=${tool} .selected=${tool === row.tool}>${TOOLS[tool]}</option>`)}
          </select>`}
        ${row.usual ? nothing : this.#qualifiers(row, label, set)}
        ${fault ? html`<span class="fault" id="${row.id}-fault">${fault}</span>` : nothing}
      </div>`;
  }

  #qualifiers(row, label, set) {
    const fields = QUALIFIERS[row.reading.feature] ?? [];
    return html`
      <div class="qualifiers">
        ${fields.map(([name, words, choices]) => html`<label>${words}
          ${Array.isArray(choices)
            ? html`<select .value=${row.reading[name]} @change=${(e) => set(() => { row.reading[name] = e.target.value; })}>
                ${choices.map((each) => html`<option value=${each} .selected=${each === row.reading[name]}>${each}</option>`)}</select>`
            : html`<input inputmode="decimal" .value=${row.reading[name]} @input=${(e) => set(() => { row.reading[name] = e.target.value; })}>`}
        </label>`)}
        <button type="button" class="plain small" @click=${() => { this.call.rows = this.call.rows.filter((each) => each !== row); this.edited(0); }}>
          Remove<span class="unseen"> ${label}</span></button>
      </div>`;
  }

  #add(select) {
    if (select.value === "") return;
    const row = makeRow(MORE[Number(select.value)]);
    select.value = "";
    this.call.rows.push(row);
    this.edited();
    document.getElementById(row.id)?.focus();
  }

  #caller() {
    const input = (name, type = "text") => html`
      <label>${SAID[name][0]}<input type=${type} maxlength=${SAID[name][1]} .value=${this.call[name]} @input=${(e) => { this.call[name] = e.target.value; writeDraft(this.call); this.changed(); }}></label>`;
    const tools = Object.keys(TOOLS).filter((tool) => tool !== "bench");
    return html`
      <details class="sheet caller">
        <summary>Caller, engine, tools, marks, note</summary>
        <div class="stack">
          <label>${SAID.engine_family[0]}<input maxlength=${SAID.engine_family[1]} .value=${this.call.engine_family} @input=${(e) => { this.call.engine_family = e.target.value; this.edited(); }}></label>
          <fieldset><legend class="small soft">Tools the caller has</legend><div class="tools">
            ${tools.map((tool) => html`<label><input type="checkbox" .checked=${this.call.tools.includes(tool)}
              @change=${(e) => { this.call.tools = e.target.checked ? [...this.call.tools, tool] : this.call.tools.filter((each) => each !== tool); this.edited(0); }}>${TOOLS[tool]}</label>`)}
          </div></fieldset>
          ${input("markings")}${input("name")}${input("email", "email")}${input("phone", "tel")}
          ${this.notice ? html`<p class="small soft">Read out: ${this.notice}</p>` : nothing}
          <label>${SAID.note[0]}<textarea maxlength=${SAID.note[1]} .value=${this.call.note} @input=${(e) => { this.call.note = e.target.value; writeDraft(this.call); this.changed(); }}></textarea></label>
        </div>
      </details>`;
  }

  #answer() {
    if (this.trouble) return html`<p class="fault">${this.trouble}</p>`;
    if (!this.said) return html`<p class="first-hint">${this.asking ? "Working…" : "Type the first reading; the answer comes by itself."}</p>`;
    const { said } = this;
    return html`
      ${this.#slips()}
      <div class="sheet stack ${this.asking ? "answering" : ""}" aria-busy=${this.asking}>
        ${verdict(said)}
        ${said.next_reading ? html`
          <div class="ask">
            <h3>Ask next</h3>
            <p class="say">${said.next_reading.message}</p>
            <button type="button" @click=${() => this.goToNext()}>Go to it<kbd>F2</kbd></button>
          </div>` : nothing}
        ${candidates(said)}
        <div class="row"><button type="button" @click=${() => this.copySummary()}>Copy summary<kbd>F8</kbd></button></div>
      </div>
      <div class="sheet stack">${derived(said)}${evidence(said, this.readings)}${this.drawing}${advice(said)}</div>
      ${cautions(said)}`;
  }

  #slips() {
    const { suspected_slips: slips } = this.said;
    const first = slips.find((each) => each.correction);
    return html`
      ${this.before ? html`<p class="row">Corrected. <button type="button" @click=${() => this.undo()}>Put it back</button></p>` : nothing}
      ${slips.map((slip) => html`
        <div class="slip">
          <h2>A slip, perhaps</h2>
          <p>${slip.message}</p>
          ${slip.correction
            ? html`<button type="button" @click=${() => this.correctFirst(slip)}>Correct it${slip === first ? html`<kbd>F4</kbd>` : nothing}</button>`
            : html`<span class="soft">Ask for it to be read again.</span>`}
        </div>`)}`;
  }

  /** Enter and the arrows go from reading to reading. */
  moveByKey(event) {
    const step = { Enter: 1, ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step || !event.target.matches(".entry input.values")) return;
    event.preventDefault();
    const fields = [...event.currentTarget.querySelectorAll(".entry input.values")];
    const next = fields[fields.indexOf(event.target) + step];
    next?.focus();
    next?.select();
  }

  /** A function key anywhere on the page; true where it was one of ours. */
  onKey(key) {
    const does = { F2: () => this.goToNext(), F4: () => this.correctFirst(), F8: () => this.copySummary(), F9: () => this.keep() }[key];
    does?.();
    return Boolean(does);
  }
}

function readDraft() {
  try {
    const draft = JSON.parse(localStorage.getItem(DRAFT));
    return draft?.rows ? { ...emptyCall(), ...draft } : emptyCall();
  } catch {
    return emptyCall();
  }
}

function writeDraft(call) {
  localStorage.setItem(DRAFT, JSON.stringify(call));
}
