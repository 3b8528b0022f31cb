/** The service's API as the pages use it: a key, JSON, and errors that tell a lost line from a refusal. */

/** The service answered, and said no. `problem` is its problem details (RFC 9457). */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem.detail ?? `The service answered ${status}.`);
    this.status = status;
    this.problem = problem;
  }
}

/** The service could not be reached, or was too busy to answer; what was sent may be sent again. */
export class Unreachable extends Error {}

/** The keys of what was sent and not answered yet, by a hash of it; kept for the tab's life, so that a reload loses none. */
const unanswered = {
  NAME: "lobedesk.unanswered",
  all() {
    return JSON.parse(sessionStorage.getItem(this.NAME) ?? "{}");
  },
  keyOf(hash) {
    const all = this.all();
    all[hash] ??= onceKey();
    sessionStorage.setItem(this.NAME, JSON.stringify(all));
    return all[hash];
  },
  settle(hash) {
    const { [hash]: _, ...rest } = this.all();
    sessionStorage.setItem(this.NAME, JSON.stringify(rest));
  },
};

/** FNV-1a of 64 bits: two different texts with one hash would only be refused, since a key is good for one request. */
function hashOf(text) {
  let hash = 0xcbf29ce484222325n;
  for (const byte of new TextEncoder().encode(text)) hash = BigInt.asUintN(64, (hash ^ BigInt(byte)) * 0x100000001b3n);
  return hash.toString(16);
}

export class Api {
  /** `base` is the service's address without a slash at the end; empty for the page's own. */
  constructor(key, base = "") {
    this.key = key;
    this.base = base;
  }

  get(path, options = {}) {
    return this.#send("GET", path, undefined, options);
  }

  post(path, body, options = {}) {
    return this.#send("POST", path, body, options);
  }

  /**
   * POST that writes once: sent again word for word, because no answer came, it has the same Idempotency-Key, after a
   * reload too. What has been answered and is sent again is another write; a 409 may be for the first being answered
   * at this moment. (A form with files never reads the same twice.)
   */
  async postOnce(path, body, { headers = {}, ...options } = {}) {
    const told = body instanceof FormData ? onceKey() : body instanceof Blob ? [body.name, body.size, body.type, body.lastModified] : body;
    const hash = hashOf(JSON.stringify([path, headers, told]));
    try {
      const sent = { ...headers, "Idempotency-Key": unanswered.keyOf(hash) };
      const answer = await this.post(path, body, { ...options, headers: sent });
      unanswered.settle(hash);
      return answer;
    } catch (error) {
      if (error instanceof Refused && error.status < 500 && error.status !== 409) unanswered.settle(hash);
      throw error;
    }
  }

  delete(path, options = {}) {
    return this.#send("DELETE", path, undefined, options);
  }

  /**
   * `{body, etag, status}`; body is parsed JSON, text where it is not JSON, null where there is none, and with
   * `as: "blob"` the bytes as they came. A file is sent as it is, and a form with files as a browser sends one.
   */
  async #send(method, path, body, { signal, headers = {}, as }) {
    const sent = { Authorization: `Bearer ${this.key}`, ...headers };
    const isFile = body instanceof Blob;
    const isForm = body instanceof FormData; // fetch itself says where its parts end
    if (body !== undefined && !isForm) sent["Content-Type"] = isFile ? body.type : "application/json";
    let response, text;
    try {
      response = await fetch(this.base + path, {
        method,
        headers: sent,
        signal,
        body: isFile || isForm || body === undefined ? body : JSON.stringify(body),
        credentials: "omit",
        cache: "no-store",
      });
      if (as === "blob" && response.ok) return { body: await response.blob(), status: response.status };
      text = await response.text();
    } catch (error) {
      if (error.name === "AbortError") throw error;
      throw new Unreachable(error.message);
    }
    if (response.status === 429 || response.status >= 502) throw new Unreachable(`${response.status}`);
    const isJson = /\bjson\b/.test(response.headers.get("Content-Type") ?? "");
    const parsed = isJson ? JSON.parse(text) : text || null;
    if (!response.ok) throw new Refused(response.status, isJson ? parsed : {});
    return { body: parsed, etag: response.headers.get("ETag"), status: response.status };
  }
}

/** A key for one write, so that sending it again writes nothing twice. */
export function onceKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/**
 * Asks again and again as something changes, and gives only the newest answer: waits until nothing has changed for
 * `quietMs`, lets go of a request that is overtaken, and drops an answer that comes after a newer question.
 */
export class Latest {
  #timer = 0;
  #number = 0;
  #abort = new AbortController();

  /** `ask(signal)` gives a promise; `tell(result, error)` hears of the newest one only. */
  constructor(ask, tell, quietMs) {
    this.ask = ask;
    this.tell = tell;
    this.quietMs = quietMs;
  }

  /** Something has changed. */
  change(quietMs = this.quietMs) {
    this.cancel();
    this.#timer = setTimeout(() => this.#go(), quietMs);
  }

  /** Nothing is to be asked any more. */
  cancel() {
    clearTimeout(this.#timer);
    this.#number += 1;
    this.#abort.abort();
  }

  async #go() {
    const number = ++this.#number;
    this.#abort = new AbortController();
    let result, failure;
    try {
      result = await this.ask(this.#abort.signal);
    } catch (error) {
      if (error.name === "AbortError") return;
      failure = error;
    }
    if (number === this.#number) this.tell(result, failure);
  }
}
