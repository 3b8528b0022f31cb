/** The desk page: a key at the door, then calls and the queue, over the API and nothing else. */

import { html, nothing, render } from "../shared/vendor/lit-html.js";
import { Api, Refused, Unreachable } from "../shared/api.js";
import { Call } from "./call.js";
import { Queue, Review } from "./queue.js";

const KEY = "lobedesk.key";
const PERSON = "lobedesk.person";
const root = document.getElementById("desk");

let api = null;
let person = localStorage.getItem(PERSON) ?? "";
let call = null;
let screen = null;
let message = "";
let said = "";
let toCopy = null;

const changed = () => draw();
const say = (words) => { said = words; draw(); };

// -- the door ---------------------------------------------------------------------------------------------------------

async function signIn(event) {
  event.preventDefault();
  const form = new FormData(event.target);
  const tried = new Api(String(form.get("key")).trim());
  try {
    await tried.get("/v1/reviews/counts");
  } catch (error) {
    message = error instanceof Unreachable ? "The service cannot be reached; try again."
      : error.status === 401 ? "This key is not taken here. Look for a letter lost in copying."
      : error.status === 403 ? "This is not a key for the desk."
      : error.message;
    if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
    draw();
    return;
  }
  person = String(form.get("person")).trim();
  localStorage.setItem(PERSON, person);
  sessionStorage.setItem(KEY, tried.key);
  message = "";
  enter(tried);
}

function enter(with_) {
  api = with_;
  call = new Call(api, { changed, say, copy, signOut });
  route();
  document.querySelector(".entry input")?.focus();
}

function signOut(why = "") {
  sessionStorage.removeItem(KEY);
  call?.latest.cancel();
  api = call = screen = null;
  message = typeof why === "string" ? why : "";
  draw();
}

const door = () => html`
  <main class="door stack">
    <h1>Camshaft desk</h1>
    <form class="sheet stack" @submit=${signIn}>
      <div><label for="key">Key</label><input id="key" name="key" type="password" required autocomplete="current-password" spellcheck="false"
        aria-describedby=${message ? "door-message" : nothing}></div>
      <div><label for="person">Your name, where several share the key</label><input id="person" name="person" autocomplete="username" maxlength="100" .value=${person}></div>
      ${message ? html`<p id="door-message" class="fault" role="alert">${message}</p>` : nothing}
      <button class="first">Sign in</button>
    </form>
    <p class="small soft">The key stays in this tab. A call half taken stays on this computer until you begin a new one.</p>
    <p class="small"><a href="/guide/">How to take each reading</a></p>
  </main>`;

// -- inside -----------------------------------------------------------------------------------------------------------

function route() {
  if (!api) return draw();
  const [, name, id] = location.hash.split("/");
  const tools = { changed, say, person };
  if (name === "queue") screen = new Queue(api, tools);
  else if (name === "review" && id) screen = new Review(api, id, tools);
  else screen = call;
  screen.load?.();
  draw();
}

const link = (hash, words, current) => html`<a href=${hash} aria-current=${current ? "page" : nothing}>${words}</a>`;

const inside = () => html`
  <a class="skip" href="#main" @click=${(e) => { e.preventDefault(); document.getElementById("main").focus(); }}>To the work</a>
  <header class="bar">
    <strong>Camshaft desk</strong>
    <nav aria-label="Desk">
      ${link("#/call", "Call", screen === call)}
      ${link("#/queue", "Queue", screen !== call)}
      <a href="/guide/" target="_blank" rel="noopener">Guide<span class="unseen"> (new tab)</span></a>
    </nav>
    <span class="end small soft">${person}</span>
    <button type="button" class="plain" @click=${() => signOut()}>Sign out</button>
  </header>
  <main id="main" tabindex="-1">${screen.view()}</main>
  <dialog aria-labelledby="copy-title"><form method="dialog">
    <h2 id="copy-title">Copy this</h2>
    <label class="unseen" for="copy-text">Summary</label><textarea id="copy-text" readonly .value=${toCopy ?? ""}></textarea>
    <button class="first">Done</button></form></dialog>`;

/** Put text on the clipboard; where the browser will not, show it ready to be taken. */
async function copy(text) {
  try {
    await navigator.clipboard.writeText(text);
    say("Summary copied.");
  } catch {
    toCopy = text;
    draw();
    document.querySelector("dialog").showModal();
    document.getElementById("copy-text").select();
  }
}

function draw() {
  render(html`${api ? inside() : door()}<p class="unseen" role="status" aria-live="polite">${said}</p>`, root);
}

addEventListener("hashchange", route);
addEventListener("online", () => call?.tryAgain());
addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.shiftKey || !screen) return;
  if (screen.onKey(event.key)) event.preventDefault();
});

const key = sessionStorage.getItem(KEY);
if (key) enter(new Api(key));
else draw();
