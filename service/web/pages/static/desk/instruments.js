/** The bench's measuring instruments, and what is said of a measurement: with which, how warm, zeros before and after. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { TOOLS } from "./readings.js";
import { capital, day, wordsOf } from "./words.js";

const PATH = "/v1/bench/instruments";
const SCALES = { in: "in", mm: "mm", deg: "degrees" };
const SCALE_NAMES = { in: "inches", mm: "millimetres", deg: "degrees" };
const blank = () => ({ name: "", serial: "", kind: "outside_micrometer", resolution: "", scale: "in", ...uncalibrated() });
const uncalibrated = () => ({ calibrated_on: "", due_on: "", by: "", certificate: "" });
const said = (entry, names) => Object.fromEntries(names.map((name) => [name, entry[name].trim()]).filter(([, value]) => value));
const CALIBRATION = ["calibrated_on", "due_on", "by", "certificate"];

/** What a record says, as a list; nothing for none. */
export const recordView = (record) => (record ? html`
  <p class="small soft">Measured by ${record.measured_by}${record.instruments.length ? ` with ${record.instruments.map(({ name }) => name).join(", ")}` : ""}.</p>
  ${record.messages.map((each) => html`<p class="small">${each}</p>`)}` : nothing);

const due = ({ calibration, overdue }) => (calibration ? html`<span class=${overdue ? "late" : ""}>${day(calibration.due_on)}${overdue ? " (overdue)" : ""}</span>` : html`<span class="late">never calibrated</span>`);

const told = ({ kind, serial, resolution, scale }) => [TOOLS[kind], ...(serial ? [`serial ${serial}`] : []), `${resolution} ${SCALES[scale]}`].join(", ");

async function everyOne(api) {
  const found = [];
  for (let cursor = ""; cursor !== null;) {
    const { body } = await api.get(`${PATH}?limit=100${cursor ? `&cursor=${cursor}` : ""}`);
    found.push(...body.items);
    cursor = body.next_cursor;
  }
  return found.filter(({ retired }) => !retired);
}

/** The fields of a form in which a measurement's conditions are told. */
export class Conditions {
  constructor(api, { changed }) {
    Object.assign(this, { api, changed, items: null, trouble: "" });
    this.clear();
  }

  clear() {
    Object.assign(this, { used: new Map(), warmth: { temperature: "", shaft_temperature: "" }, metal: "cast_iron" });
  }

  async load() {
    try {
      this.items = await everyOne(this.api);
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** What is sent as `bench`; null where nothing was said. */
  bodyOf(person) {
    const warmth = said(this.warmth, ["temperature", "shaft_temperature"]);
    const instruments = [...this.used].map(([instrument, zeros]) => ({ instrument, ...said(zeros, ["zero_before", "zero_after", "reference"]) }));
    if (!instruments.length && !Object.keys(warmth).length) return null;
    return { instruments, ...warmth, metal: this.metal, ...(person ? { measured_by: person } : {}) };
  }

  view(unit) {
    const { warmth } = this;
    const degrees = (name, words) => html`<label class="small">${words}<input inputmode="decimal" .value=${warmth[name]} @input=${(e) => { warmth[name] = e.target.value; }}></label>`;
    return html`
      <fieldset class="stack"><legend class="small soft">Measured with</legend>
        ${this.trouble ? html`<p class="fault small" role="alert">${this.trouble}</p>` : nothing}
        ${this.items?.length === 0 ? html`<p class="small soft">No instruments are kept yet; the <a href="#/bench">bench</a> has a form for them.</p>` : nothing}
        ${this.items?.map((each) => this.#instrument(each, unit))}
        <div class="fields">${degrees("temperature", "Bench °C")}${degrees("shaft_temperature", "Shaft °C, if not the same")}
          <label class="small">Shaft of<select @change=${(e) => { this.metal = e.target.value; }}>
            ${[["cast_iron", "Cast iron"], ["steel", "Steel"]].map(([value, words]) => html`<option value=${value} .selected=${value === this.metal}>${words}</option>`)}</select></label></div>
      </fieldset>`;
  }

  #instrument(each, unit) {
    const zeros = this.used.get(each.id);
    const scale = each.scale === "deg" ? "degrees" : unit;
    const flip = (on) => {
      if (on) this.used.set(each.id, { zero_before: "", zero_after: "", reference: "" });
      else this.used.delete(each.id);
      this.changed();
    };
    const input = (name, words) => html`<label class="small">${words}<input inputmode="decimal" aria-label="${words}, ${each.name}" .value=${zeros[name]} @input=${(e) => { zeros[name] = e.target.value; }}></label>`;
    return html`
      <div class="tools"><label><input type="checkbox" .checked=${Boolean(zeros)} @change=${(e) => flip(e.target.checked)}>${each.name} <span class="soft small">${TOOLS[each.kind]}</span>
        ${each.overdue ? html`<span class="late small">${each.calibration ? `overdue since ${day(each.calibration.due_on)}` : "never calibrated"}</span>` : nothing}</label></div>
      ${zeros ? html`<div class="fields">${input("zero_before", `Zero before, ${scale}`)}${input("zero_after", `Zero after, ${scale}`)}${input("reference", "On a gauge of")}</div>` : nothing}`;
  }
}

/** The list of instruments, with a form for a new one, for a calibration, and for taking one out of use. */
export class Instruments {
  constructor(api, { changed, say }) {
    Object.assign(this, { api, changed, say, items: null, fresh: blank(), calibrating: null, dates: uncalibrated(), retiring: null, why: "", trouble: "" });
  }

  async load() {
    try {
      this.items = await everyOne(this.api);
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** `taken` empties the form that asked, and no other, as soon as what it said is kept. */
  async #send(path, body, done, taken) {
    try {
      await this.api.postOnce(path, body);
    } catch (error) {
      this.trouble = wordsOf(error);
      this.changed();
      return;
    }
    taken();
    this.trouble = "";
    this.say(done);
    await this.load();
  }

  #add(event) {
    event.preventDefault();
    const { fresh } = this;
    const calibration = said(fresh, CALIBRATION);
    const body = { ...said(fresh, ["name", "serial", "resolution"]), kind: fresh.kind, scale: fresh.scale, ...(Object.keys(calibration).length ? { calibration } : {}) };
    this.#send(PATH, body, `${fresh.name} is kept.`, () => { this.fresh = blank(); });
  }

  #calibrate(event) {
    event.preventDefault();
    this.#send(`${PATH}/${this.calibrating.id}/calibrations`, said(this.dates, CALIBRATION), `Calibration of ${this.calibrating.name} recorded.`, () => {
      Object.assign(this, { calibrating: null, dates: uncalibrated() });
    });
  }

  #retire(event) {
    event.preventDefault();
    this.#send(`${PATH}/${this.retiring.id}/retirement`, { reason: this.why.trim() }, `${this.retiring.name} is out of use.`, () => {
      Object.assign(this, { retiring: null, why: "" });
    });
  }

  #choose(what) {
    Object.assign(this, { calibrating: null, retiring: null, ...what });
    this.changed();
  }

  #forms() {
    const leave = html`<button type="button" @click=${() => this.#choose({})}>Leave it</button>`;
    if (this.calibrating) return html`
      <form class="stack" autocomplete="off" @submit=${(e) => this.#calibrate(e)}><h3>Calibration of ${this.calibrating.name}</h3>${this.#dates(this.dates, true)}
        <div class="row"><button class="first">Record it</button>${leave}</div></form>`;
    if (this.retiring) return html`
      <form class="stack" autocomplete="off" @submit=${(e) => this.#retire(e)}><h3>${this.retiring.name} out of use</h3>
        <p class="small soft">What it measured stays as it was recorded; its name may be given to another.</p>
        <label class="small">Why<input class="block" required maxlength="2000" .value=${this.why} @input=${(e) => { this.why = e.target.value; }}></label>
        <div class="row"><button class="first">Take it out of use</button>${leave}</div></form>`;
    return html`
      <form class="stack" autocomplete="off" @submit=${(e) => this.#add(e)}><h3>A new one</h3>
        <div class="fields">${this.#input(this.fresh, "name", "Name", true)}${this.#input(this.fresh, "serial", "Serial number")}
        ${this.#select("kind", "Kind", TOOLS)}${this.#input(this.fresh, "resolution", "Resolution", true)}${this.#select("scale", "Scale in", SCALE_NAMES)}</div>
        ${this.#dates(this.fresh, false)}
        <div class="row"><button>Keep it</button></div></form>`;
  }

  view() {
    const late = this.items?.filter(({ overdue }) => overdue).length;
    return html`
      <details class="sheet"><summary><h2>Instruments</h2>${late ? html` <span class="late">${late} overdue</span>` : nothing}</summary>
        <div class="stack">
          ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
          ${this.items?.length ? html`
            <div class="wide" tabindex="0" role="region" aria-label="Instruments">
            <table><caption class="unseen">The bench's measuring instruments</caption>
              <thead><tr><th scope="col">Instrument</th><th scope="col">Calibration due</th><td></td></tr></thead>
              <tbody>${this.items.map((each) => html`<tr><th scope="row">${each.name}<div class="small soft">${told(each)}</div></th><td>${due(each)}</td>
                <td><button type="button" class="plain" @click=${() => this.#choose({ calibrating: each })}>Calibrated<span class="unseen">: ${each.name}</span></button>
                <button type="button" class="plain" @click=${() => this.#choose({ retiring: each })}>Out of use<span class="unseen">: ${each.name}</span></button></td></tr>`)}</tbody></table></div>`
          : html`<p class="soft">No instruments are kept yet.</p>`}
          ${this.#forms()}
        </div></details>`;
  }

  #dates(entry, needed) {
    return html`<div class="fields">${this.#input(entry, "calibrated_on", "Calibrated on", needed, "date")}${this.#input(entry, "due_on", "Next due", needed, "date")}
      ${this.#input(entry, "by", "Calibrated by", needed)}${this.#input(entry, "certificate", "Certificate")}</div>`;
  }

  #input(entry, name, words, needed = false, type = "text") {
    return html`<label class="small">${words}<input type=${type} maxlength="100" ?required=${needed} .value=${entry[name]} @input=${(e) => { entry[name] = e.target.value; }}></label>`;
  }

  #select(name, words, choices) {
    return html`<label class="small">${words}<select @change=${(e) => { this.fresh[name] = e.target.value; }}>
      ${Object.entries(choices).map(([value, text]) => html`<option value=${value} .selected=${value === this.fresh[name]}>${capital(text)}</option>`)}</select></label>`;
  }
}
