/** A customer's photos: made smaller here, which also leaves behind where they were taken, and sent one by one. */

import { Refused, Unreachable, onceKey } from "../shared/api.js";
import { refusal } from "./refusals.js";

export const MOST_PHOTOS = 6;
const LONGEST_SIDE = 2000;
const QUALITY = 0.85;
const RETRY_MS = 5000;

/** A picture as a JPEG no longer than it needs to be; null where the browser cannot open it. */
async function remade(file) {
  let picture;
  try {
    picture = await createImageBitmap(file);
  } catch {
    return null;
  }
  const scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(picture.width * scale));
  canvas.height = Math.max(1, Math.round(picture.height * scale));
  const paper = canvas.getContext("2d");
  paper.fillStyle = "#fff";
  paper.fillRect(0, 0, canvas.width, canvas.height);
  paper.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  return new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", QUALITY));
}

/** Each is `{name, state, words}`: `waiting`, `sending`, `sent`, or `refused` with the name of the words to say why. */
export class Photos {
  constructor(api, changed) {
    Object.assign(this, { api, changed, all: [] });
  }

  get open() {
    return this.all.filter(({ state }) => state !== "refused").length < MOST_PHOTOS;
  }

  async add(files) {
    for (const file of files) {
      if (!this.open) break;
      const body = await remade(file);
      this.all.push(body ? { name: file.name, body, once: onceKey(), state: "waiting" } : { name: file.name, state: "refused", words: "refused_photo" });
      this.changed();
    }
  }

  remove(photo) {
    this.all = this.all.filter((each) => each !== photo);
    this.changed();
  }

  /** Send what waits to where photos of a kept submission go; what does not get through is tried again. */
  async send(path) {
    for (const photo of this.all.filter(({ state }) => state === "waiting")) {
      photo.state = "sending";
      this.changed();
      try {
        await this.api.post(path, photo.body, { headers: { "Idempotency-Key": photo.once } });
        Object.assign(photo, { state: "sent", body: null });
      } catch (error) {
        if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
        Object.assign(photo, error instanceof Unreachable ? { state: "waiting" } : { state: "refused", ...refusal(error) });
      }
      this.changed();
    }
    if (this.all.some(({ state }) => state === "waiting")) setTimeout(() => this.send(path), RETRY_MS);
  }
}
