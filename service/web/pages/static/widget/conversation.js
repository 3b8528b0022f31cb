/** What has been measured so far and what comes next; no screen in here. */

import { Refused, Unreachable, onceKey } from "../shared/api.js";
import { Photos } from "./photos.js";
import { refusal } from "./refusals.js";

const FIRST = { feature: "journal_diameter", position: "front" };
const USUAL = [
  { feature: "lobe_height", lobe: "intake" },
  { feature: "base_circle", lobe: "intake" },
  { feature: "lobe_height", lobe: "exhaust" },
  { feature: "base_circle", lobe: "exhaust" },
  { feature: "gear_teeth" },
  { feature: "overall_length" },
  { feature: "zero_check" },
];
const TOOLS_ON_OFFER = ["digital_caliper", "dial_caliper", "vernier_caliper", "outside_micrometer"];
const RETRY_MS = 4000;
const KNOWN = ["zero_check", "journal_diameter", "lobe_height", "base_circle", "flank_width", "lobe_lift", "overall_length", "gear_teeth"];

export const knows = (feature) => KNOWN.includes(feature);
export { TOOLS_ON_OFFER, USUAL };

const same = (a, b) => ["feature", "lobe", "position", "cylinder"].every((name) => (a[name] ?? null) === (b[name] ?? null));

/**
 * One customer's shaft. `stage` is `start`, `reading`, `slip`, `found`, `hand_over` or `sent`; `changed()` is called when the
 * screen has to be drawn again. Everything but the last word is asked as a preview, so nothing is kept before it.
 */
export class Conversation {
  constructor(api, changed, saved) {
    this.api = api;
    this.changed = changed;
    Object.assign(this, blank(), saved ?? {});
    Object.assign(this, { busy: false, offline: false, refused: "", again: null, photos: new Photos(api, () => changed()) });
  }

  /** What has to be remembered over a reload. */
  get memory() {
    const { stage, unit, tool, practised, entries, asked, skipped, settled, said, slip, kept, keptOf, settledBy, link } = this;
    return { stage, unit, tool, practised, entries, asked, skipped, settled, said, slip, kept, keptOf, settledBy, link };
  }

  begin() {
    this.asked = { ...FIRST };
    this.#to("reading");
  }

  /** Values for what was asked, as text; then the next question. */
  answer(values) {
    const { asked } = this;
    const entry = { asked, values };
    const at = this.entries.findIndex((each) => same(each.asked, asked));
    if (at >= 0) this.entries[at] = entry;
    else this.entries.push(entry);
    return this.#consider();
  }

  /** The last reading again. */
  back() {
    this.asked = this.entries.at(-1).asked;
    this.#to("reading");
  }

  valuesOf(asked) {
    return this.entries.find((each) => same(each.asked, asked))?.values ?? [];
  }

  skip() {
    this.skipped.push(this.asked);
    this.entries = this.entries.filter(({ asked }) => !same(asked, this.asked));
    if (this.said) return this.#next();
    this.asked = USUAL.find((each) => this.#open(each));
    return this.#to(this.asked ? "reading" : "hand_over");
  }

  askPerson() {
    this.#to("hand_over");
  }

  restart() {
    Object.assign(this, blank(), { unit: this.unit, tool: this.tool, practised: this.practised });
    this.photos.all = [];
    this.changed({ moved: true });
  }

  /** The customer says of a suspected slip that it is one, or is none. */
  settle(isOne) {
    this.settled.push(this.#nameOf(this.slip));
    if (!isOne) return this.#next();
    const { correction, pointer } = this.slip;
    if (!correction) {
      this.asked = this.#entryAt(pointer).asked;
      return this.#to("reading");
    }
    if (correction.unit) this.unit = correction.unit;
    const meant = correction.readings.map((each) => [this.#entryAt(each.pointer), each.reading]);
    for (const [entry, { feature, lobe, position, cylinder, values }] of meant) {
      entry.asked = { feature, lobe, position, cylinder };
      entry.values = values;
    }
    return this.#consider();
  }

  /** The whole of it, to be kept and looked at by a person; what was kept with its answer goes on as the same case. */
  async handOver({ contact, note }) {
    const asks = { ask_person: true, contact, ...(note ? { note } : {}) };
    const isKept = this.kept && this.keptOf === JSON.stringify(this.#body());
    const [path, body] = isKept ? [`/v1/submissions/${this.kept.id}/readings`, asks] : ["/v1/submissions", { ...this.#body(), ...asks }];
    const kept = await this.#tell(path, body, () => this.handOver({ contact, note }));
    if (kept) {
      this.kept = kept;
      this.#to("sent");
      await this.photos.send(this.#photosAt);
    }
  }

  /** Photos chosen; sent at once where there is a submission to send them to. */
  async addPhotos(files) {
    await this.photos.add(files);
    if (this.stage === "sent") await this.photos.send(this.#photosAt);
  }

  get #photosAt() {
    return `/v1/submissions/${this.kept.id}/photos`;
  }

  /** A way back to what was kept, for later or for another telephone. */
  async makeLink() {
    const made = await this.#tell(`/v1/submissions/${this.kept.id}/links`, undefined, () => this.makeLink());
    if (made) this.link = { of: this.kept.id, page: made.page, lapses_at: made.lapses_at };
    this.changed();
  }

  /** The way back to the case on the screen, where one was made. */
  get wayBack() {
    return this.link?.of === this.kept?.id ? this.link : null;
  }

  /** The line may be back. */
  tryAgain() {
    const { again } = this;
    this.again = null;
    again?.();
  }

  get measured() {
    return this.entries.filter(({ asked }) => asked.feature !== "gear_teeth");
  }

  #body() {
    const body = { source: "web", unit: this.unit, instrument: this.tool, tools: [this.tool], condition: "used",
      experience: this.practised ? "practised" : "first_time",
      readings: this.measured.map(({ asked, values }) => ({ ...told(asked), values })) };
    const gear = this.entries.find(({ asked }) => asked.feature === "gear_teeth");
    if (gear) body.counts = { gear_teeth: Number(gear.values[0]) };
    return body;
  }

  /** Whether a reading is one of ours, and neither taken nor given up. */
  #open(reading) {
    const done = [...this.skipped, ...this.entries.map(({ asked }) => asked)];
    return knows(reading.feature) && !done.some((each) => same(each, reading));
  }

  #entryAt(pointer) {
    return this.measured[Number(/\/readings\/(\d+)/.exec(pointer)?.[1] ?? 0)];
  }

  #nameOf(slip) {
    const at = /\/readings\/(\d+)/.exec(slip.pointer);
    return `${slip.slip} ${at ? JSON.stringify(this.measured[Number(at[1])]) : slip.pointer}`;
  }

  async #consider() {
    if (!this.measured.length) {
      this.asked = { ...FIRST };
      return this.#to("hand_over");
    }
    const said = await this.#tell("/v1/previews", this.#body(), () => this.#consider());
    if (!said) return undefined;
    this.said = said;
    const slip = said.suspected_slips.find((each) => !this.settled.includes(this.#nameOf(each)));
    if (slip) {
      this.slip = slip;
      return this.#to("slip");
    }
    return this.#next();
  }

  async #next() {
    const { said } = this;
    if (said.state === "identified") {
      const kept = await this.#tell("/v1/submissions", this.#body(), () => this.#next());
      if (kept) {
        Object.assign(this, { kept, keptOf: JSON.stringify(this.#body()) });
        this.#to("found");
      }
      return;
    }
    const open = (each) => this.#open(each);
    const ours = said.next_reading && (!said.next_reading.instrument || said.next_reading.instrument === this.tool);
    // what the engine asks for; where this customer cannot take it, the next of the usual readings
    const wanted = ours && open(said.next_reading) ? said.next_reading : said.next_reading && USUAL.find(open);
    if (!wanted) return this.#to("hand_over");
    const { feature, lobe, position, cylinder } = wanted;
    this.asked = { feature, lobe, position, cylinder };
    this.#to("reading");
  }

  #to(stage) {
    this.stage = stage;
    this.refused = "";
    this.changed({ moved: true });
  }

  /** POST, with one key for as often as it takes; null where it did not get through, and then it is tried again. */
  async #tell(path, body, again) {
    const text = JSON.stringify([path, body]);
    if (this.sending?.text !== text) this.sending = { text, once: onceKey() };
    Object.assign(this, { busy: true, refused: "" });
    this.changed();
    try {
      const { body: said } = await this.api.post(path, body, path.startsWith("/v1/submissions") ? { headers: { "Idempotency-Key": this.sending.once } } : {});
      this.offline = false;
      return said;
    } catch (error) {
      this.offline = error instanceof Unreachable;
      if (this.offline) {
        this.again = again;
        setTimeout(() => this.again === again && this.tryAgain(), RETRY_MS);
      } else if (error instanceof Refused) {
        const { words, reading } = refusal(error);
        const at = words === "refused_count" ? this.entries.find(({ asked }) => asked.feature === "gear_teeth") : this.measured[reading];
        if (at) {
          this.asked = at.asked;
          this.#to("reading");
        }
        this.refused = words;
      } else {
        throw error;
      }
      return null;
    } finally {
      this.busy = false;
      this.changed();
    }
  }
}

/** What was asked for, as the API takes it. */
export function told(asked) {
  const said = Object.fromEntries(Object.entries(asked).filter(([, value]) => value !== null && value !== undefined));
  return asked.feature === "zero_check" ? { ...said, reference: "0" } : said;
}

function blank() {
  return { stage: "start", unit: "in", tool: "digital_caliper", practised: false, entries: [], asked: null, skipped: [], settled: [], said: null, slip: null, kept: null, link: null };
}
