/** Photos and papers that only a key may fetch: brought as bytes, shown or saved from here. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { clock, wordsOf } from "./words.js";

/** The photos at one place of the API, such as `/v1/mail-ins/…`. */
export class Photos {
  constructor(api, { changed, say }) {
    Object.assign(this, { api, changed, say, shown: [], trouble: "" });
  }

  /** `listed` as the API lists them. */
  async show(listed) {
    const had = new Map(this.shown.map((each) => [each.id, each]));
    try {
      this.shown = await Promise.all(listed.map(async (each) => had.get(each.id) ?? {
        ...each, address: URL.createObjectURL((await this.api.get(each.url, { as: "blob" })).body) }));
    } catch (error) {
      this.trouble = wordsOf(error);
    }
    this.changed();
  }

  /** Send a file; `listed()` gives the list anew. */
  async add(where, file, listed) {
    try {
      await this.api.postOnce(where, file);
      this.trouble = "";
      this.say("Photo added.");
      await this.show(await listed());
    } catch (error) {
      this.trouble = wordsOf(error);
      this.changed();
    }
  }

  /** `add` is what to do with a chosen file; without it photos are only looked at. */
  view(add) {
    return html`
      <h2>Photos</h2>
      ${this.shown.length ? html`<ul class="photos">${this.shown.map((each, i) => html`
        <li><a href=${each.address} target="_blank" rel="noopener"><img src=${each.address} width=${each.width} height=${each.height} alt="Photo ${i + 1}"></a>
          <span class="small soft">${each.added_by}, ${clock(each.added_at)}</span></li>`)}</ul>`
      : html`<p class="soft small">None.</p>`}
      ${add ? html`<label class="small">Add a photo
        <input type="file" accept="image/jpeg,image/png,image/webp" @change=${(e) => { const [file] = e.target.files; if (file) add(file); e.target.value = ""; }}></label>` : nothing}
      ${this.trouble ? html`<p class="fault" role="alert">${this.trouble}</p>` : nothing}`;
  }
}

/** Save what lies at `path` under a name. */
export async function save(api, path, name) {
  const { body } = await api.get(path, { as: "blob" });
  const link = document.createElement("a");
  link.href = URL.createObjectURL(body);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
