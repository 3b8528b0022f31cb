/**
 * <lobedesk-widget key="…" language="en" privacy="https://…"></lobedesk-widget>: tells a store's customer which camshaft it is.
 *
 * One script tag, one element, in a shadow root; it talks to the service it was loaded from and to nobody else. What was
 * measured is remembered for this tab alone.
 */

import { html, nothing, render } from "../shared/vendor/lit-html.js";
import { Api, Refused, Unreachable } from "../shared/api.js";
import { readAmount } from "../shared/amounts.js";
import { Conversation, TOOLS_ON_OFFER } from "./conversation.js";
import { sheet } from "./style.js";

const BASE = new URL("..", import.meta.url).href.replace(/\/$/, "");
const MEMORY = "lobedesk-widget";

class LobedeskWidget extends HTMLElement {
  #root = this.attachShadow({ mode: "open" });
  #words = null;
  #drawings = new Map();
  #notice = null;
  #faults = {};
  #copied = "";
  #talk;

  async connectedCallback() {
    this.#root.adoptedStyleSheets = [sheet];
    this.#talk = new Conversation(new Api(this.getAttribute("key") ?? "", BASE), (how) => this.#changed(how), remembered());
    addEventListener("online", this.#online);
    const all = await (await fetch(`${BASE}/widget/words.json`, { credentials: "omit" })).json();
    const wanted = this.getAttribute("language") || this.closest("[lang]")?.lang || "en";
    const language = [wanted, wanted.split("-")[0]].find((each) => each in all) ?? "en";
    this.#words = all[language];
    this.setAttribute("lang", language);
    this.#draw();
    this.#loadDrawings();
    this.#loadNotice();
  }

  disconnectedCallback() {
    removeEventListener("online", this.#online);
  }

  #online = () => {
    this.#talk.tryAgain();
    this.#loadDrawings();
    this.#loadNotice();
  };

  /** The supplier's notice and how soon somebody answers; without them the widget's own words do. */
  async #loadNotice() {
    if (this.#notice) return;
    try {
      this.#notice = (await this.#talk.api.get(`/v1/privacy/notice?language=${this.lang}`)).body;
      this.#draw();
    } catch (error) {
      if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
    }
  }

  /** The drawings; without them the words do. */
  async #loadDrawings() {
    if (this.#drawings.size) return;
    try {
      const guide = await (await fetch(`${BASE}/v1/guide`, { credentials: "omit" })).json();
      for (const { feature, drawings } of guide.readings) this.#drawings.set(feature, drawings);
      this.#draw();
    } catch {
      this.#drawings.clear();
    }
  }

  #changed({ moved } = {}) {
    sessionStorage.setItem(MEMORY, JSON.stringify(this.#talk.memory));
    if (moved) [this.#faults, this.#copied] = [{}, ""];
    this.#draw();
    if (moved) {
      this.#root.querySelector("h2")?.focus();
      this.scrollIntoView({ block: "nearest" });
    }
  }

  /** Words from the catalogue, with what stands in {braces} put in. */
  #say(name, filled = {}) {
    const text = this.#words[name] ?? name;
    return text.replace(/\{(\w+)\}/g, (_, each) => filled[each] ?? "");
  }

  #nameOf({ feature, lobe, position }) {
    const name = this.#words[feature] && feature !== "cautions" ? feature : "other_reading";
    return this.#say(name, { lobe: lobe && this.#say(lobe), position: position && this.#say(position) });
  }

  /** A probability as a percentage in the customer's language, never rounded to certainty. */
  #percent(probability) {
    const number = new Intl.NumberFormat(this.lang, { minimumFractionDigits: 1, maximumFractionDigits: 1 });
    if (probability > 0.999) return this.#say("percent_over", { number: number.format(99.9) });
    return this.#say("percent", { number: number.format(100 * probability) });
  }

  /** A size as people write it in the customer's language. */
  #size(value) {
    return value.replace(".", this.#words.point);
  }

  #replyTime() {
    const hours = this.#notice?.reply_hours.web;
    if (!hours) return this.#say("reply_soon");
    const name = hours < 1 ? "minutes" : hours <= 48 ? "hours" : "days";
    const number = Math.ceil({ minutes: hours * 60, hours, days: hours / 24 }[name]);
    return this.#say(number === 1 ? `reply_1_${name}` : `reply_${name}`, { number });
  }

  #unit() {
    return this.#say(this.#talk.unit === "in" ? "inches" : "millimetres");
  }

  #draw() {
    if (!this.#words) return;
    const talk = this.#talk;
    const stage = { start: () => this.#start(), reading: () => this.#reading(), slip: () => this.#slip(), found: () => this.#found(), hand_over: () => this.#handOver(), sent: () => this.#sent() }[talk.stage];
    render(html`
      <div class="stack">
        <div class="told" role="status" aria-live="polite">
          ${talk.busy ? html`<p class="soft">${this.#say("working")}</p>` : nothing}
          ${talk.offline ? html`<p class="box">${this.#say("offline")}</p>` : nothing}
          ${talk.refused ? html`<p class="fault">${this.#say(talk.refused, { unit: this.#unit() })}</p>` : nothing}
        </div>
        ${stage()}
      </div>`, this.#root);
  }

  #heading(words) {
    return html`<h2 tabindex="-1">${words}</h2>`;
  }

  #privacy() {
    const link = this.getAttribute("privacy");
    return html`
      <p class="small soft">${this.#say("privacy")} ${link ? html`<a href=${link}>${this.#say("privacy_link")}</a>` : nothing}</p>
      ${this.#talk.stage !== "start" && this.#notice ? html`<p class="small soft" lang=${this.#notice.language}>${this.#notice.notice}</p>` : nothing}`;
  }

  #start() {
    const talk = this.#talk;
    const set = (name, value) => { talk[name] = value; this.#changed(); };
    return html`
      ${this.#heading(this.#say("title"))}
      <p>${this.#say("intro")}</p>
      <fieldset><legend>${this.#say("unit")}</legend><div class="choices">
        ${[["in", "inches"], ["mm", "millimetres"]].map(([unit, words]) => html`
          <label class="check"><input type="radio" name="unit" .checked=${talk.unit === unit} @change=${() => set("unit", unit)}>${this.#say(words)}</label>`)}
      </div></fieldset>
      <label>${this.#say("tool")}
        <select @change=${(e) => set("tool", e.target.value)}>
          ${TOOLS_ON_OFFER.map((tool) => html`<option value=${tool} .selected=${tool === talk.tool}>${this.#say(tool)}</option>`)}
        </select></label>
      <label class="check"><input type="checkbox" .checked=${talk.practised} @change=${(e) => set("practised", e.target.checked)}>${this.#say("experience")}</label>
      <p class="small"><strong>${this.#say("safety")}</strong></p>
      <button class="first" @click=${() => talk.begin()}>${this.#say("begin")}</button>
      ${this.#privacy()}`;
  }

  #pictures(feature) {
    const drawings = this.#drawings.get(feature) ?? [];
    if (!drawings.length) return nothing;
    return html`<div class="drawings">${drawings.map(({ svg, right }) => {
      const drawing = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
      drawing.setAttribute("aria-label", this.#say(right ? "drawing_right" : "drawing_wrong"));
      return html`<figure class=${right ? "right" : "wrong"}>${document.adoptNode(drawing)}</figure>`;
    })}</div>`;
  }

  #reading() {
    const talk = this.#talk;
    const { asked } = talk;
    const isCount = asked.feature === "gear_teeth";
    const repeats = isCount || asked.feature === "zero_check" ? 1 : 2;
    const values = talk.valuesOf(asked);
    const how = this.#words[`how_${asked.feature}`] ? `how_${asked.feature}` : "how_other_reading";
    return html`
      <form class="stack" novalidate autocomplete="off" @submit=${(e) => this.#take(e)}>
        <p class="small soft">${this.#say("step", { number: talk.entries.length + (values.length ? 0 : 1) })}</p>
        ${this.#heading(this.#nameOf(asked))}
        <p>${this.#say(how)} ${asked.lobe ? html`<span class="soft">${this.#say(`how_${asked.lobe}`)}</span>` : nothing}</p>
        ${this.#pictures(asked.feature)}
        ${Array.from({ length: repeats }, (_, i) => html`
          <label>${isCount ? this.#say("count") : i ? this.#say(asked.feature === "flank_width" ? "other_side" : "again") : this.#say("value", { unit: this.#unit() })}
            <input class="value" name="value" inputmode=${isCount ? "numeric" : talk.unit === "mm" ? "decimal" : "text"} .value=${values[i] ?? ""}
              aria-invalid=${this.#faults[i] ? "true" : "false"} aria-describedby=${this.#faults[i] ? `fault-${i}` : i ? nothing : "hint"}></label>
          ${this.#faults[i] ? html`<p class="fault" id="fault-${i}">${this.#faults[i]}</p>` : nothing}`)}
        ${isCount ? nothing : html`<p class="small soft" id="hint">${this.#say("hint")}</p>`}
        <button class="first" ?disabled=${talk.busy}>${this.#say("next")}</button>
        <button type="button" @click=${() => talk.skip()}>${this.#say("skip")}</button>
        <div class="pair">
          ${talk.entries.length && !values.length ? html`<button type="button" class="plain" @click=${() => talk.back()}>${this.#say("back")}</button>` : html`<span></span>`}
          <button type="button" class="plain" @click=${() => talk.askPerson()}>${this.#say("ask_person")}</button>
        </div>
      </form>`;
  }

  #take(event) {
    event.preventDefault();
    const isCount = this.#talk.asked.feature === "gear_teeth";
    const written = new FormData(event.target).getAll("value").map((each) => String(each).trim());
    this.#faults = {};
    const values = [];
    written.forEach((text, i) => {
      if (!text) return;
      const value = isCount ? (/^\d{1,3}$/.test(text) ? text : null) : readAmount(text);
      if (value === null) this.#faults[i] = this.#say("not_a_size");
      else values.push(value);
    });
    if (!values.length && !Object.keys(this.#faults).length) this.#faults[0] = this.#say("one_at_least");
    if (Object.keys(this.#faults).length) {
      this.#draw();
      this.#root.querySelector('[aria-invalid="true"]').focus();
      return;
    }
    this.#talk.answer(values);
  }

  #slip() {
    const talk = this.#talk;
    const { slip, correction } = talk.slip;
    const meant = correction?.readings[0]?.reading.values.map((each) => this.#size(each)).join("; ");
    const unit = correction?.unit ? this.#say(correction.unit === "in" ? "inches" : "millimetres") : "";
    // of a lobe that was read once only, which of the two it is; of both, that they look swapped
    const alone = slip === "height_base_swapped" && correction?.readings.length === 1 && `slip_meant_${correction.readings[0].reading.feature}`;
    const name = [alone, `slip_${slip}`].find((each) => each in this.#words) ?? "slip_other";
    return html`
      ${this.#heading(this.#say("slip_title"))}
      <div class="box stack"><p>${this.#say(name, { meant, unit })}</p></div>
      <button class="first" ?disabled=${talk.busy} @click=${() => talk.settle(true)}>${this.#say(correction ? "slip_yes" : "slip_again")}</button>
      <button ?disabled=${talk.busy} @click=${() => talk.settle(false)}>${this.#say("slip_no")}</button>
      <button class="plain" @click=${() => talk.askPerson()}>${this.#say("ask_person")}</button>`;
  }

  /** The case's number, in two groups of four, as it is read aloud. */
  #number(reference) {
    return this.#say("reference", { reference: `${reference.slice(0, 4)}\u00a0${reference.slice(4)}` });
  }

  /** A link to come back by, once it is asked for: until then there is none that could fall into other hands. */
  #wayBack() {
    const talk = this.#talk;
    const { wayBack } = talk;
    if (!wayBack) return html`<button type="button" ?disabled=${talk.busy} @click=${() => talk.makeLink()}>${this.#say("link_make")}</button>`;
    const address = BASE + wayBack.page;
    const when = new Date(wayBack.lapses_at).toLocaleDateString(this.lang, { dateStyle: "long" });
    return html`
      <div class="stack" role="group" aria-label=${this.#say("link")}>
        <a class="link" href=${address} target="_blank" rel="noopener noreferrer">${address}</a>
        <p class="small soft">${this.#say("link_hint", { when })}</p>
        <button type="button" @click=${() => this.#copy(address)}>${this.#say("link_copy")}</button>
        <p class="small soft" role="status">${this.#copied ? this.#say(this.#copied) : nothing}</p>
      </div>`;
  }

  async #copy(text) {
    try {
      await navigator.clipboard.writeText(text);
      this.#copied = "link_copied";
    } catch {
      this.#copied = "link_by_hand";
    }
    this.#draw();
  }

  #cautions() {
    return html`<h3>${this.#say("cautions_title")}</h3><ul class="small">${this.#words.cautions.map((each) => html`<li>${each}</li>`)}</ul>`;
  }

  #found() {
    const talk = this.#talk;
    const { answer, reference } = talk.kept;
    return html`
      ${this.#heading(html`<span class="part">${this.#say("found", { part: answer.part_number })}</span>`)}
      <p>${this.#say("sure", { percent: this.#percent(answer.probability) })}.
        ${answer.same_as.length ? this.#say("same_as", { parts: answer.same_as.join(", ") }) : nothing}</p>
      <p class="soft">${this.#number(reference)}</p>
      ${this.#wayBack()}
      ${this.#cautions()}
      <button @click=${() => talk.askPerson()}>${this.#say("ask_person")}</button>
      <button class="plain" @click=${() => talk.restart()}>${this.#say("start_again")}</button>`;
  }

  #handOver() {
    const talk = this.#talk;
    const stuck = talk.said && talk.said.state !== "identified" && !talk.said.next_reading;
    const input = (name, type, complete) => html`<label>${this.#say(name)}<input name=${name} type=${type} autocomplete=${complete} maxlength="200"></label>`;
    return html`
      <form class="stack" novalidate @submit=${(e) => this.#send(e)}>
        ${this.#heading(this.#say(stuck ? "not_found_title" : "hand_over_title"))}
        <p>${this.#say(stuck ? "not_found" : "hand_over")}</p>
        <p class="soft">${this.#say("so_far", { number: talk.entries.length })}</p>
        ${input("name", "text", "name")}${input("email", "email", "email")}${input("phone", "tel", "tel")}
        <label>${this.#say("note")}<textarea name="note" maxlength="2000"></textarea></label>
        ${this.#photos()}
        <label class="check"><input type="checkbox" name="post">${this.#say("post")}</label>
        ${this.#faults.contact ? html`<p class="fault" role="alert">${this.#faults.contact}</p>` : nothing}
        <p>${this.#replyTime()}</p>
        ${this.#privacy()}
        <button class="first" ?disabled=${talk.busy || !talk.measured.length}>${this.#say("send")}</button>
        ${talk.asked ? html`<button type="button" class="plain" @click=${() => { talk.stage = "reading"; this.#changed({ moved: true }); }}>${this.#say("back")}</button>` : nothing}
      </form>`;
  }

  #photos() {
    const { photos } = this.#talk;
    const take = (event) => {
      this.#talk.addPhotos([...event.target.files]);
      event.target.value = "";
    };
    return html`
      ${photos.open ? html`<label class="file">${this.#say("photos")}<input class="unseen" type="file" accept="image/*" multiple aria-describedby="photos-hint" @change=${take}></label>` : nothing}
      <p class="small soft" id="photos-hint">${this.#say("photos_hint")}</p>
      <div role="status"><ul class="photos small">${photos.all.map((each) => html`
        <li><span>${each.name}: <span class=${each.state === "refused" ? "fault" : "soft"}>${this.#say(each.words ?? `photo_${each.state}`)}</span></span>
          ${["waiting", "refused"].includes(each.state) ? html`<button type="button" class="plain" @click=${() => photos.remove(each)}>${this.#say("photo_remove")}</button>` : nothing}</li>`)}</ul></div>`;
  }

  #send(event) {
    event.preventDefault();
    const form = new FormData(event.target);
    const text = (name) => String(form.get(name) ?? "").trim();
    if (!text("email") && !text("phone")) {
      this.#faults = { contact: this.#say("contact_needed") };
      this.#draw();
      this.#root.querySelector('[name="email"]').focus();
      return;
    }
    const contact = Object.fromEntries(["name", "email", "phone"].map((name) => [name, text(name)]).filter(([, value]) => value));
    const note = [text("note"), form.get("post") ? this.#say("post_note") : ""].filter(Boolean).join("\n");
    this.#talk.handOver({ contact, note });
  }

  #sent() {
    const { kept } = this.#talk;
    const when = kept.expected_reply_at && new Date(kept.expected_reply_at).toLocaleString(this.lang, { dateStyle: "long", timeStyle: "short" });
    return html`
      ${this.#heading(this.#say("sent_title"))}
      <p>${this.#say("sent")} ${when ? this.#say("reply_by", { when }) : this.#replyTime()}</p>
      <p>${this.#number(kept.reference)}</p>
      ${this.#wayBack()}
      ${this.#photos()}
      ${this.#cautions()}
      <button class="plain" @click=${() => this.#talk.restart()}>${this.#say("start_again")}</button>`;
  }
}

function remembered() {
  try {
    return JSON.parse(sessionStorage.getItem(MEMORY));
  } catch {
    return null;
  }
}

customElements.define("lobedesk-widget", LobedeskWidget);
