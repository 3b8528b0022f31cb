/** The bench: lift tables in, from a file or pasted; figures, corrections and plots out. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { Refused } from "../shared/api.js";
import { percent } from "../shared/amounts.js";
import { UNITS, drawingOf } from "./answer.js";
import { Conditions, Instruments, recordView } from "./instruments.js";
import { capital, plain, wordsOf } from "./words.js";

const LOBES = ["intake", "exhaust"];
const MOST_CYLINDERS = 6;
const DRAFT = "lobedesk.bench";
const table = () => ({ base_circle: "", csv: "" });
const blank = () => ({ unit: "in", angle: "cam", follower: "flat", radius: "", direction: "", condition: "used", rocker_ratio: "", lash: "",
  cylinders: 1, lobes: Object.fromEntries(LOBES.map((lobe) => [lobe, table()])) });

/** What a lobe is kept under in a sheet, and called in a file's first row: `intake`, and `intake_2` of the second cylinder. */
const keyOf = (lobe, cylinder) => (cylinder > 1 ? `${lobe}_${cylinder}` : lobe);
const nameOf = (lobe, cylinder, cylinders) => `${capital(lobe)} lobe${cylinders > 1 ? `, cylinder ${cylinder}` : ""}`;
const placesOf = (cylinders) => Array.from({ length: cylinders }, (_, i) => LOBES.map((lobe) => ({ lobe, cylinder: i + 1, key: keyOf(lobe, i + 1) }))).flat();

const CHOICES = {
  unit: ["Unit", [["in", "Inches"], ["mm", "Millimetres"]]],
  angle: ["Degrees of the", [["cam", "Cam"], ["crank", "Crank"]]],
  follower: ["Follower", [["flat", "Flat"], ["roller", "Roller"], ["point", "Point"]]],
  direction: ["Angles, as it runs", [["", "Not known"], ["rising", "Rise"], ["falling", "Fall"]]],
  condition: ["Shaft", [["used", "Used"], ["new", "New"]]],
};

/** A file with a column for each lobe (`angle,intake,exhaust,intake_2`), taken apart into one table a lobe; null where it is none. */
export function columnsOf(text) {
  const rows = text.trim().split(/\r?\n/).filter((line) => line.trim() && !line.trim().startsWith("#")).map((line) => line.trim().split(/\s*[,;\t]\s*|\s+/));
  const names = rows[0]?.map((name) => name.toLowerCase().replaceAll('"', ""));
  const lobes = placesOf(MOST_CYLINDERS).map(({ key }) => key).filter((key) => names?.includes(key));
  const angle = names?.indexOf("angle") ?? -1;
  if (angle < 0 || !lobes.length) return null;
  const columnOf = (lobe) => rows.slice(1).filter((row) => row[names.indexOf(lobe)]).map((row) => `${row[angle]},${row[names.indexOf(lobe)]}`).join("\n");
  return Object.fromEntries(lobes.map((lobe) => [lobe, `angle,lift\n${columnOf(lobe)}`]));
}

export class Bench {
  constructor(api, { changed, say, person }) {
    Object.assign(this, { api, changed, say, person, sheet: draft(), said: null, plot: nothing, faults: [], trouble: "", working: false, shaft: null, keeping: false, kept: "" });
    this.instruments = new Instruments(api, { changed, say });
    this.conditions = new Conditions(api, { changed });
  }

  /** For a shaft, with which the tables may be kept; for none where `shaftId` is none. */
  async goTo(shaftId) {
    Object.assign(this, { shaft: null, keeping: Boolean(shaftId), kept: "" });
    if (!shaftId) return;
    try {
      this.shaft = (await this.api.get(`/v1/mail-ins/${shaftId}`)).body;
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  load() {
    this.changed();
    this.instruments.load();
    if (this.keeping) this.conditions.load();
  }

  #edited(change) {
    change();
    localStorage.setItem(DRAFT, JSON.stringify(this.sheet));
    this.changed();
  }

  async #take(event, lobe) {
    const [file] = event.target.files;
    event.target.value = "";
    if (!file) return;
    const text = await file.text();
    const columns = columnsOf(text);
    this.#edited(() => {
      for (const [key, csv] of Object.entries(columns ?? { [lobe]: text })) (this.sheet.lobes[key] ??= table()).csv = csv;
      const filled = placesOf(MOST_CYLINDERS).filter(({ key }) => this.sheet.lobes[key]?.csv.trim());
      this.sheet.cylinders = Math.max(this.sheet.cylinders, ...filled.map(({ cylinder }) => cylinder));
    });
    this.say(`Taken from ${file.name}.`);
  }

  get #body() {
    const { sheet } = this;
    const body = { unit: sheet.unit, angle: sheet.angle, condition: sheet.condition, follower: { kind: sheet.follower }, lobes: [] };
    if (sheet.follower === "roller" && sheet.radius.trim()) body.follower.radius = sheet.radius.trim();
    for (const name of ["direction", "rocker_ratio", "lash"]) if (sheet[name].trim()) body[name] = sheet[name].trim();
    for (const { lobe, cylinder, key } of placesOf(sheet.cylinders)) {
      const { csv, base_circle: base } = sheet.lobes[key] ?? table();
      if (csv.trim()) body.lobes.push({ lobe, cylinder, csv, ...(base.trim() ? { base_circle: base.trim() } : {}) });
    }
    return body;
  }

  async workOut() {
    const body = this.#body;
    const keeps = this.shaft && this.keeping;
    const bench = keeps ? this.conditions.bodyOf(this.person) : null;
    const sent = keeps ? { ...body, mail_in: this.shaft.id, ...(bench ? { bench } : {}) } : body;
    Object.assign(this, { working: true, faults: [], trouble: "", kept: "" });
    this.changed();
    const plotting = this.api.post("/v1/lift-tables/plot.svg", body).then(({ body: drawn }) => drawingOf(drawn) ?? nothing, (error) => error);
    try {
      const said = await (keeps ? this.api.postOnce("/v1/lift-tables", sent) : this.api.post("/v1/lift-tables", sent));
      // what is kept is kept, whatever becomes of its picture
      if (keeps) Object.assign(this, { kept: `Kept with shaft ${this.shaft.spoken}.`, keeping: false });
      this.said = said.body;
      const plot = await plotting;
      this.plot = plot instanceof Error ? nothing : plot;
      if (plot instanceof Error) this.trouble = `The plots could not be drawn: ${wordsOf(plot)}`;
      const [best] = this.said.candidates;
      this.say(`Worked out. ${best ? `${best.part_number} leads with ${percent(best.probability)}.` : ""}`);
    } catch (error) {
      this.said = null;
      if (error instanceof Refused && error.problem.errors?.length) {
        this.faults = error.problem.errors.map(({ pointer, detail }) => ({ lobe: keyOfSent(body.lobes[Number(/^\/lobes\/(\d+)/.exec(pointer)?.[1])]), place: pointer.slice(1), detail }));
      } else this.trouble = wordsOf(error);
    }
    this.working = false;
    this.changed();
  }

  view() {
    const { sheet } = this;
    const select = (name) => html`
      <label>${CHOICES[name][0]}<select @change=${(e) => this.#edited(() => { sheet[name] = e.target.value; })}>
        ${CHOICES[name][1].map(([value, words]) => html`<option value=${value} .selected=${value === sheet[name]}>${words}</option>`)}</select></label>`;
    const input = (name, words) => html`<label>${words}<input inputmode="decimal" .value=${sheet[name]} @input=${(e) => this.#edited(() => { sheet[name] = e.target.value; })}></label>`;
    return html`
      <div class="desk">
        <div class="stack">
        <form class="stack" autocomplete="off" @submit=${(e) => { e.preventDefault(); this.workOut(); }}>
          <h1>Bench</h1>
          <div class="settings sheet">${Object.keys(CHOICES).map(select)}${sheet.follower === "roller" ? input("radius", "Roller radius") : nothing}
            ${input("rocker_ratio", "Rocker ratio")}${input("lash", "Lash at the valve")}</div>
          ${placesOf(sheet.cylinders).map((place) => this.#lobe(place))}
          ${sheet.cylinders < MOST_CYLINDERS ? html`<div class="row"><button type="button" @click=${() => this.#edited(() => { sheet.cylinders += 1; })}>Another cylinder</button>
            <span class="keys">Lobes of one kind are held against each other.</span></div>` : nothing}
          ${this.faults.filter(({ lobe }) => !lobe).map((each) => html`<p class="fault" role="alert">${each.place}: ${each.detail}</p>`)}
          ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}
          ${this.shaft ? html`<label class="tools"><input type="checkbox" .checked=${this.keeping} @change=${(e) => { this.keeping = e.target.checked; this.changed(); if (this.keeping && !this.conditions.items) this.conditions.load(); }}>Keep them with shaft ${this.shaft.spoken}, and answer its case again</label>
            ${this.keeping ? html`<div class="sheet">${this.conditions.view(sheet.unit)}</div>` : nothing}` : nothing}
          ${this.kept ? html`<p role="status"><strong>${this.kept}</strong> <a href="#/shaft/${this.shaft.id}">To the shaft</a></p>` : nothing}
          <div class="row"><button class="first" ?disabled=${this.working || !this.#body.lobes.length}>${this.working ? "Working…" : "Work it out"}<kbd>F2</kbd></button>
            <button type="button" @click=${() => { Object.assign(this, { said: null, plot: nothing, faults: [], trouble: "", kept: "" }); this.#edited(() => { this.sheet = blank(); }); }}>Clear</button></div>
          <p class="keys">One row a line, an angle and a lift; or a file with the columns angle, intake, exhaust, and intake_2 and so on for further cylinders. What is typed stays on this computer.</p>
        </form>
        ${this.instruments.view()}
        </div>
        <section class="stack" aria-label="Worked out">${this.said ? this.#answer() : html`<p class="first-hint">Paste a table, or choose its file.</p>`}</section>
      </div>`;
  }

  #lobe({ lobe, cylinder, key }) {
    const { cylinders, lobes } = this.sheet;
    const entry = (lobes[key] ??= table());
    const faults = this.faults.filter((each) => each.lobe === key);
    const name = nameOf(lobe, cylinder, cylinders);
    const its = name.replace(" lobe", " table");
    return html`
      <fieldset class="sheet stack"><legend>${name}</legend>
        <div class="fields"><label class="small">Base circle, measured <input inputmode="decimal" .value=${entry.base_circle} @input=${(e) => this.#edited(() => { entry.base_circle = e.target.value; })}></label>
          <label class="small">File <input type="file" accept=".csv,.txt,text/csv,text/plain" @change=${(e) => this.#take(e, key)}></label></div>
        <label class="small">${its}<textarea class="rows" spellcheck="false" aria-invalid=${faults.length ? "true" : "false"} .value=${entry.csv}
          aria-describedby=${faults.length ? `${key}-faults` : nothing} @input=${(e) => this.#edited(() => { entry.csv = e.target.value; })}></textarea></label>
        ${faults.length ? html`<div class="fault small" id="${key}-faults" role="alert">${faults.map((each) => html`<p>${its}: ${each.detail}</p>`)}</div>` : nothing}
      </fieldset>`;
  }

  #answer() {
    const { said } = this;
    const separation = said.lobe_separation;
    return html`
      <div class="sheet stack">
        <h2>By the tables alone</h2>
        ${said.candidates.length ? html`
          <table class="candidates"><caption class="unseen">Candidates by their lift tables, the likeliest first</caption>
            <thead class="unseen"><tr><th scope="col">Part</th><th scope="col">Core</th><th scope="col">Probability</th></tr></thead>
            <tbody>${said.candidates.slice(0, 5).map((each) => html`<tr><th scope="row">${each.part_number}${each.same_as.length ? html`<span class="soft small"> = ${each.same_as.join(", ")}</span>` : nothing}</th>
              <td class="soft">${each.core}</td><td class="number">${percent(each.probability)}</td></tr>`)}
              <tr><th scope="row" class="soft">None of the catalogue's parts</th><td></td><td class="number">${percent(said.not_in_catalogue_probability)}</td></tr></tbody></table>`
        : html`<p class="soft">These lobes cannot be compared with the catalogue.</p>`}
        ${recordView(said.kept?.bench)}
        ${separation ? html`<p>Lobe separation ${separation.value} ± ${separation.standard_uncertainty} cam degrees.</p>` : nothing}
        ${this.#differences()}
      </div>
      ${said.lobes.map((each) => this.#figures(each))}
      <details class="sheet" open><summary><h2>Plots</h2></summary><div class="chart wide" tabindex="0" role="region" aria-label="Plots">${this.plot}</div></details>
      <div class="sheet"><h3>Cautions</h3><ul class="cautions small">${said.cautions.map((each) => html`<li>${each}</li>`)}</ul></div>`;
  }

  /** Lobes of one kind beside each other: what stands out, or that nothing does. */
  #differences() {
    const { lobes, lobe_differences: odd } = this.said;
    if (odd.length) return html`<div><h3>Lobes unlike the others</h3><ul class="advice">${odd.map(({ message }) => html`<li>${message}</li>`)}</ul></div>`;
    const several = LOBES.filter((kind) => lobes.filter(({ lobe }) => lobe === kind).length > 1);
    return several.length ? html`<p>No ${several.join(" or ")} lobe stands out from the others.</p>` : nothing;
  }

  #figures(lobe) {
    const words = [...lobe.corrections.map(({ message }) => message), ...lobe.advice, ...(lobe.condition?.messages ?? [])];
    const name = nameOf(lobe.lobe, lobe.cylinder, Math.max(...this.said.lobes.map(({ cylinder }) => cylinder)));
    return html`
      <section class="sheet stack" aria-label=${name}>
        <h2>${name}</h2>
        <p>Lift <strong>${lobe.lift.value}</strong> ± ${lobe.lift.standard_uncertainty} ${UNITS[this.said.unit]}; centre at ${lobe.centre.angle} ± ${lobe.centre.standard_uncertainty}.
          <span class="soft small">± is one standard uncertainty.</span></p>
        <div class="wide" tabindex="0" role="region" aria-label="Durations, ${name}">
        <table><caption class="unseen">Durations</caption>
          <thead><tr><th scope="col" class="number">At lift</th><th scope="col" class="number">Crank degrees</th><th scope="col" class="number">±</th><th scope="col" class="number">Opens</th><th scope="col" class="number">Closes</th></tr></thead>
          <tbody>${lobe.durations.map((each) => html`<tr><th scope="row" class="number">${each.checking_lift}</th><td class="number">${each.crank_degrees}</td><td class="number">${each.standard_uncertainty}</td>
            <td class="number">${each.opens.angle}</td><td class="number">${each.closes.angle}</td></tr>`)}</tbody></table></div>
        ${words.length ? html`<ul class="advice">${words.map((each) => html`<li>${each}</li>`)}</ul>` : nothing}
      </section>`;
  }

  onKey(key) {
    if (key !== "F2" || !this.#body.lobes.length) return false;
    this.workOut();
    return true;
  }
}

function keyOfSent(sent) {
  return sent && keyOf(sent.lobe, sent.cylinder);
}

function draft() {
  try {
    const kept = JSON.parse(localStorage.getItem(DRAFT));
    return kept?.lobes ? { ...blank(), ...kept } : blank();
  } catch {
    return blank();
  }
}
