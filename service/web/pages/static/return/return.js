/**
 * The page a return link leads to. The link's token stands behind the # of the address, where no server and no log sees it,
 * and opens one case and nothing else. How readings are called and taken is in the widget's words.
 */

import { html, nothing, render } from "../shared/vendor/lit-html.js";
import { Api, Refused, Unreachable } from "../shared/api.js";
import { readAmount } from "../shared/amounts.js";
import { TOOLS_ON_OFFER, USUAL, knows, told } from "../widget/conversation.js";
import { Photos } from "../widget/photos.js";
import { refusal } from "../widget/refusals.js";

const root = document.getElementById("return");
const OWN = "/v1/own-case";
const JOURNALS = ["front", "middle", "rear"].map((position) => ({ feature: "journal_diameter", position }));
const ON_OFFER = [...USUAL, { feature: "flank_width", lobe: "intake" }, { feature: "flank_width", lobe: "exhaust" }, ...JOURNALS];

const same = (a, b) => ["feature", "lobe", "position"].every((name) => (a[name] ?? null) === (b[name] ?? null));

let api, photos, words, language;
let drawings = new Map();
let own = null;
let notice = null;
let lapsed = false;
let trouble = "";
let busy = false;
let done = "";
let faults = {};
/** What is being written: the reading's place in the list, its values, the tool. */
let entry = { which: "", values: ["", ""], tool: "" };

// -- words --------------------------------------------------------------------------------------------------------------

function say(name, filled = {}) {
  return (words[name] ?? name).replace(/\{(\w+)\}/g, (_, each) => filled[each] ?? "");
}

const moment = (iso) => new Date(iso).toLocaleString(language, { dateStyle: "long", timeStyle: "short" });
const unitOf = (unit) => say(unit === "in" ? "inches" : "millimetres");
const size = (value) => value.replace(".", words.point);

function percentOf(probability) {
  const number = new Intl.NumberFormat(language, { minimumFractionDigits: 1, maximumFractionDigits: 1 });
  if (probability > 0.999) return say("percent_over", { number: number.format(99.9) });
  return say("percent", { number: number.format(100 * probability) });
}

function nameOf({ feature, lobe, position, cylinder }) {
  const name = knows(feature) ? feature : "other_reading";
  const filled = say(name, { lobe: lobe && say(lobe), position: position && say(position) });
  return cylinder ? `${filled} (${cylinder})` : filled;
}

async function load(file) {
  return (await fetch(file, { credentials: "omit" })).json();
}

// -- what is done --------------------------------------------------------------------------------------------------------

/** Do something with the service; what went wrong is said, and what was written stays. */
async function attempt(what, refused = (error) => { trouble = say(refusal(error).words, { unit: unitOf(own?.unit) }); }) {
  busy = true;
  trouble = done = "";
  draw();
  try {
    await what();
  } catch (error) {
    if (error instanceof Unreachable) trouble = say("unreachable");
    else if (!(error instanceof Refused)) throw error;
    else if (error.status === 401) lapsed = true;
    else refused(error);
  } finally {
    busy = false;
    draw();
  }
}

function follow() {
  return attempt(async () => {
    own = (await api.get(OWN)).body;
    if (!entry.tool) entry.tool = TOOLS_ON_OFFER.includes(own.submission.instrument) ? own.submission.instrument : TOOLS_ON_OFFER[0];
    draw();
    notice = (await api.get(`${OWN}/notice?language=${language}`)).body;
  });
}

/** What can be added, what is asked for first. */
function onOffer() {
  const asked = own.next_reading;
  const first = asked && knows(asked.feature) && (!asked.instrument || TOOLS_ON_OFFER.includes(asked.instrument)) ? asked : null;
  const rest = ON_OFFER.filter((each) => !first || !same(each, first));
  return first ? [{ feature: first.feature, lobe: first.lobe, position: first.position, cylinder: first.cylinder }, ...rest] : rest;
}

function add(event) {
  event.preventDefault();
  const wanted = onOffer()[Number(entry.which) || 0];
  const isCount = wanted.feature === "gear_teeth";
  const values = [];
  faults = {};
  entry.values.slice(0, fieldsOf(wanted)).forEach((written, i) => {
    const text = written.trim();
    if (!text) return;
    const value = isCount ? (/^\d{1,3}$/.test(text) ? text : null) : readAmount(text);
    if (value === null) faults[i] = say("not_a_size");
    else values.push(value);
  });
  if (!values.length && !Object.keys(faults).length) faults[0] = say("one_at_least");
  if (Object.keys(faults).length) {
    draw();
    root.querySelector('[aria-invalid="true"]').focus();
    return undefined;
  }
  const addition = isCount ? { counts: { gear_teeth: Number(values[0]) } }
    : { unit: own.unit, readings: [{ ...told(wanted), values, instrument: entry.tool }] };
  return attempt(async () => {
    own = (await api.postOnce(`${OWN}/readings`, addition)).body;
    entry = { ...entry, which: "", values: ["", ""] };
    done = say("added");
    draw();
    document.getElementById("answer").focus();
  });
}

function ask(event) {
  event.preventDefault();
  const form = event.target;
  const data = new FormData(form);
  const text = (name) => String(data.get(name) ?? "").trim();
  const contact = Object.fromEntries(["name", "email", "phone"].map((name) => [name, text(name)]).filter(([, value]) => value));
  const asks = { ask_person: true, ...(text("note") ? { note: text("note") } : {}) };
  const send = async (body, words) => {
    own = (await api.postOnce(`${OWN}/readings`, body)).body;
    done = say(words);
    form.reset();
  };
  return attempt(async () => {
    try {
      await send({ ...asks, ...(Object.keys(contact).length ? { contact } : {}) }, "asked");
    } catch (error) {
      const known = error instanceof Refused && error.problem.errors?.some(({ pointer }) => pointer === "/contact");
      if (!known) throw error;
      await send(asks, "contact_known"); // whom to answer was said before; only the desk changes it
    }
  });
}

async function addPhotos(event) {
  const files = [...event.target.files];
  event.target.value = "";
  await photos.add(files);
  await photos.send(`${OWN}/photos`);
}

// -- the page ------------------------------------------------------------------------------------------------------------

const fieldsOf = ({ feature }) => (feature === "gear_teeth" || feature === "zero_check" ? 1 : 2);

function answered() {
  const [best] = own.candidates;
  switch (own.state) {
    case "identified": return html`<p class="part">${say("found", { part: own.answer.part_number })}</p>
      <p>${say("sure", { percent: percentOf(own.answer.probability) })}. ${own.answer.same_as.length ? say("same_as", { parts: own.answer.same_as.join(", ") }) : nothing}</p>`;
    case "not_in_catalogue": return html`<p class="part">${say("not_in_catalogue")}</p><p>${say("sure", { percent: percentOf(own.not_in_catalogue_probability) })}.</p>`;
    case "ambiguous": if (best) {
      const few = own.candidates.filter(({ part_number: part }) => own.credible_set.includes(part));
      return html`<p class="part">${say("may_be")}</p><ul>${(few.length ? few : [best]).slice(0, 5).map((each) => html`<li>${each.part_number}: ${percentOf(each.probability)}</li>`)}</ul>`;
    } // falls through
    default: return html`<p class="part">${say("more_readings_needed")}</p>`;
  }
}

function decided({ outcome, part_number: part, confidence, at }) {
  return html`<p class="part">${say(`decided_${outcome}`, { part })}</p>
    <p>${say("decided_by_person", { when: moment(at) })} ${confidence === "sure" ? nothing : say(`decided_${confidence}`)}</p>
    ${own.answered_at > at ? html`<p class="soft">${say("since")}</p>${answered()}` : nothing}`;
}

function answer() {
  return html`
    <section class="sheet stack" aria-labelledby="answer">
      <h2 id="answer" tabindex="-1">${say("answer")}</h2>
      <p class="done" role="status">${done}</p>
      ${own.decision ? decided(own.decision) : answered()}
      ${own.closed_at ? html`<p>${say("closed")}</p>`
        : own.expected_reply_at ? html`<p><strong>${say("reply_by", { when: moment(own.expected_reply_at) })}</strong></p>`
        : own.decision || own.state === "identified" ? nothing : html`<p>${say("reply_over")}</p>`}
    </section>`;
}

function slips() {
  if (own.decision) return nothing;
  return own.suspected_slips.map(({ slip, correction }) => {
    const meant = correction?.readings[0]?.reading.values.map(size).join("; ");
    const unit = correction?.unit ? unitOf(correction.unit) : "";
    const alone = slip === "height_base_swapped" && correction?.readings.length === 1 && `slip_meant_${correction.readings[0].reading.feature}`;
    const name = [alone, `slip_${slip}`].find((each) => each in words) ?? "slip_other";
    return html`<section class="box stack"><h2>${say("slip")}</h2><p>${say(name, { meant, unit })}</p><p>${say("slip_do")}</p></section>`;
  });
}

function measured() {
  const { readings, counts } = own.submission;
  const rows = [
    ...readings.map((each) => [nameOf(each), each.values.map(size).join("   "), say(each.instrument)]),
    ...(counts.gear_teeth ? [[say("gear_teeth"), counts.gear_teeth, ""]] : []),
  ];
  return html`
    <section class="sheet stack" aria-labelledby="measured"><h2 id="measured">${say("measured")}</h2>
      <table><thead><tr><th scope="col">${say("reading")}</th><th scope="col" class="number">${say("in_unit", { unit: unitOf(own.unit) })}</th></tr></thead>
        <tbody>${rows.map(([name, values]) => html`<tr><th scope="row">${name}</th><td class="number">${values}</td></tr>`)}</tbody></table></section>`;
}

function pictures(feature) {
  const of = drawings.get(feature) ?? [];
  if (!of.length) return nothing;
  return html`<div class="drawings">${of.map(({ svg, right }) => {
    const drawing = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
    drawing.setAttribute("aria-label", say(right ? "drawing_right" : "drawing_wrong"));
    return html`<figure class=${right ? "right" : "wrong"}>${document.adoptNode(drawing)}</figure>`;
  })}</div>`;
}

function next() {
  const asked = own.next_reading;
  const offered = onOffer();
  const wanted = offered[Number(entry.which) || 0];
  const settled = own.decision?.outcome === "part" && own.answered_at <= own.decision.at;
  const isAsked = !settled && asked && same(asked, offered[0]);
  const isCount = wanted.feature === "gear_teeth";
  const labels = [isCount ? say("count") : say("value", { unit: unitOf(own.unit) }), say(wanted.feature === "flank_width" ? "other_side" : "again")];
  const how = words[`how_${wanted.feature}`] ? `how_${wanted.feature}` : "how_other_reading";
  const write = (i) => (e) => { entry.values[i] = e.target.value; };
  return html`
    <section class="sheet stack ${isAsked ? "ask" : ""}" aria-labelledby="next"><h2 id="next">${say(asked && !settled ? "help_most" : "help_more")}</h2>
      ${isAsked || settled ? nothing : asked ? html`<p>${say("next_other")} <span lang="en">${asked.message}</span></p>` : html`<p>${say("next_none")}</p>`}
      <form class="stack" novalidate autocomplete="off" @submit=${add}>
        <label>${say("which")}<select @change=${(e) => { entry = { ...entry, which: e.target.value, values: ["", ""] }; faults = {}; draw(); }}>
          ${offered.map((each, i) => html`<option value=${i} .selected=${i === (Number(entry.which) || 0)}>${nameOf(each)}</option>`)}</select></label>
        <p>${say(how)} ${wanted.lobe ? html`<span class="soft">${say(`how_${wanted.lobe}`)}</span>` : nothing}</p>
        ${pictures(wanted.feature)}
        ${isCount ? nothing : html`<label>${say("tool")}<select @change=${(e) => { entry.tool = e.target.value; }}>
          ${TOOLS_ON_OFFER.map((tool) => html`<option value=${tool} .selected=${tool === entry.tool}>${say(tool)}</option>`)}</select></label>`}
        ${labels.slice(0, fieldsOf(wanted)).map((label, i) => html`
          <label>${label}<input class="value" inputmode=${isCount ? "numeric" : own.unit === "mm" ? "decimal" : "text"} .value=${entry.values[i]} @input=${write(i)}
            aria-invalid=${faults[i] ? "true" : "false"} aria-describedby=${faults[i] ? `fault-${i}` : nothing}></label>
          ${faults[i] ? html`<p class="fault" id="fault-${i}">${faults[i]}</p>` : nothing}`)}
        <p class="small"><strong>${say("safety")}</strong></p>
        <button class="first" ?disabled=${busy}>${say("add")}</button>
      </form></section>`;
}

function sending() {
  return html`
    <section class="sheet stack" aria-labelledby="photos"><h2 id="photos">${say("photos_title")}</h2>
      ${own.closed_at ? html`<p>${say("photos_closed")}</p>` : html`
        ${photos.open ? html`<label>${say("photos")}<input type="file" accept="image/*" multiple aria-describedby="photos-hint" @change=${addPhotos}></label>` : nothing}
        <p class="small soft" id="photos-hint">${say("photos_hint")}</p>`}
      <div role="status"><ul class="photos small">${photos.all.map((each) => html`
        <li><span>${each.name}: <span class=${each.state === "refused" ? "fault" : "soft"}>${say(each.words ?? `photo_${each.state}`)}</span></span>
          ${each.state === "refused" ? html`<button type="button" class="plain" @click=${() => photos.remove(each)}>${say("photo_remove")}</button>` : nothing}</li>`)}</ul></div>
    </section>`;
}

function asking() {
  if (own.expected_reply_at) return nothing;
  const input = (name, type, complete, most) => html`<label>${say(name)}<input name=${name} type=${type} autocomplete=${complete} maxlength=${most}></label>`;
  return html`
    <details class="sheet"><summary><h2>${say("ask_title")}</h2></summary>
      <form class="stack" novalidate @submit=${ask}>
        <p>${say("ask_words")}</p>
        ${input("name", "text", "name", 200)}${input("email", "email", "email", 254)}${input("phone", "tel", "tel", 50)}
        <label>${say("note")}<textarea name="note" maxlength="2000"></textarea></label>
        <button ?disabled=${busy}>${say("send")}</button>
      </form></details>`;
}

function page() {
  const number = `${own.reference.slice(0, 4)}\u00a0${own.reference.slice(4)}`;
  return html`
    <h1>${say("page_title")}</h1>
    <p class="soft">${say("reference", { reference: number })}</p>
    ${trouble ? html`<p class="fault" role="alert">${trouble}</p>` : nothing}
    ${answer()}${slips()}${measured()}${next()}${asking()}${sending()}
    <section class="sheet stack" aria-labelledby="cautions"><h2 id="cautions">${say("cautions_title")}</h2>
      <ul class="small">${words.cautions.map((each) => html`<li>${each}</li>`)}</ul></section>
    <section class="sheet stack" aria-labelledby="privacy"><h2 id="privacy">${say("privacy_title")}</h2>
      <p>${say("privacy_link_words")}</p>
      ${notice ? html`<p class="small" lang=${notice.language}>${notice.notice}</p>` : nothing}</section>`;
}

function draw() {
  document.title = `${say(lapsed ? "lapsed_title" : "page_title")} · lobedesk`;
  if (lapsed) render(html`<h1>${say("lapsed_title")}</h1><p role="alert">${say("lapsed")}</p><p>${say("lapsed_do")}</p>`, root);
  else if (own) render(page(), root);
  else render(html`<h1>${say("page_title")}</h1>
    ${trouble ? html`<p class="fault" role="alert">${trouble}</p><button type="button" @click=${follow}>${say("try_again")}</button>` : html`<p role="status">${say("working")}</p>`}`, root);
}

/** The case of the address as it is now: another link may be opened in the same tab. */
function open() {
  own = notice = null;
  lapsed = false;
  entry = { which: "", values: ["", ""], tool: "" };
  api = new Api(location.hash.slice(1));
  photos = new Photos(api, draw);
  return follow();
}

const [common, mine] = await Promise.all([load("../widget/words.json"), load("words.json")]);
language = navigator.languages.map((each) => each.split("-")[0]).find((each) => each in mine) ?? "en";
words = { ...common[language], ...mine[language] };
document.documentElement.lang = language;
root.replaceChildren();
addEventListener("hashchange", open);
await open();
try {
  const guide = await load("/v1/guide");
  drawings = new Map(guide.readings.map((each) => [each.feature, each.drawings]));
  draw();
} catch {
  drawings = new Map(); // the words alone do
}
