/** The desk page: a key at the door, then calls, the queue and the rest, over the API and nothing else. */

import { html, nothing, render } from "../shared/vendor/lit-html.js";
import { Api, Refused, Unreachable } from "../shared/api.js";
import { Bench } from "./bench.js";
import { Call } from "./call.js";
import { CaseFile } from "./case_file.js";
import { Catalogue, Revision } from "./catalogue.js";
import { Changes } from "./changes.js";
import { Draft } from "./draft.js";
import { Find } from "./find.js";
import { LookAlikes } from "./look_alikes.js";
import { Queue, Review } from "./queue.js";
import { Shaft, Shafts } from "./shafts.js";

const KEY = "lobedesk.key";
const PERSON = "lobedesk.person";
const root = document.getElementById("desk");

let api = null;
let person = localStorage.getItem(PERSON) ?? "";
let call = null;
let find = null;
let bench = null;
let notice = "";
let screen = null;
let room = "call";
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
    await tried.get("/v1/reviews?limit=1");
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
  call = new Call(api, { changed, say, copy, signOut, person });
  find = new Find(api, { changed, say });
  bench = new Bench(api, { changed, say, person });
  route();
  document.querySelector(".entry input")?.focus();
  tellNotice();
}

/** What a customer is to be told before they leave a name; without a line the next sign-in brings it. */
async function tellNotice() {
  try {
    notice = (await api.get("/v1/privacy/notice")).body.notice;
  } catch (error) {
    if (!(error instanceof Refused || error instanceof Unreachable)) throw error;
    return;
  }
  if (call) call.notice = notice;
  if (screen instanceof Shafts) screen.notice = notice;
  draw();
}

/** Go on with a case as a call, there with the slip corrected, if one is given. */
function resume(file, slip) {
  if (call.resume(file, slip)) location.hash = "#/call";
  else say("A call is half taken; keep it first, or begin a new one.");
  if (screen !== call) screen.trouble = said;
  draw();
}

function signOut(why = "") {
  sessionStorage.removeItem(KEY);
  call?.latest.cancel();
  api = call = find = bench = screen = null;
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
  const tools = { changed, say, person, copy, resume, notice };
  const makes = {
    queue: () => new Queue(api, tools),
    review: () => new Review(api, id, tools),
    find: () => find,
    case: () => new CaseFile(api, id, tools),
    shafts: () => new Shafts(api, tools),
    shaft: () => new Shaft(api, id, tools),
    bench: () => (bench.goTo(id), bench),
    changes: () => new Changes(api, tools),
    alike: () => new LookAlikes(api, tools),
    catalogue: () => new Catalogue(api, tools),
    draft: () => new Draft(api, id, tools),
    revision: () => new Revision(api, id, tools),
  };
  room = name in makes ? name : "call";
  screen = makes[name]?.() ?? call;
  screen.load?.();
  draw();
  if (screen === call) document.querySelector(".entry.wanted input, .entry input")?.focus();
  else document.getElementById("main")?.focus();
}

/** The rooms of the desk, and the screens that belong to each. */
const ROOMS = [
  ["call", "Call", []],
  ["queue", "Queue", ["review"]],
  ["find", "Find", ["case"]],
  ["shafts", "Shafts", ["shaft"]],
  ["bench", "Bench", []],
  ["changes", "Changed answers", []],
  ["alike", "Look-alikes", []],
  ["catalogue", "Catalogue", ["draft", "revision"]],
];

const link = (hash, words, current) => html`<a href=${hash} aria-current=${current ? "page" : nothing}>${words}</a>`;

const inside = () => html`
  <a class="skip" href="#main" @click=${(e) => { e.preventDefault(); document.getElementById("main").focus(); }}>To the work</a>
  <header class="bar">
    <strong>Camshaft desk</strong>
    <nav aria-label="Desk">
      ${ROOMS.map(([name, words, within]) => link(`#/${name}`, words, name === room || within.includes(room)))}
      <a href="/guide/" target="_blank" rel="noopener">Guide<span class="unseen"> (new tab)</span></a>
    </nav>
    <span class="end"><span class="small soft">${person}</span>
    <button type="button" class="plain" @click=${() => signOut()}>Sign out</button></span>
  </header>
  <main id="main" tabindex="-1">${screen.view()}</main>
  <dialog aria-labelledby="copy-title"><form method="dialog">
    <h2 id="copy-title">Copy this</h2>
    <label class="unseen" for="copy-text">What to copy</label><textarea id="copy-text" readonly .value=${toCopy ?? ""}></textarea>
    <button class="first">Done</button></form></dialog>`;

/** Put text on the clipboard; where the browser will not, show it ready to be taken. */
async function copy(text, done = "Summary copied.") {
  try {
    await navigator.clipboard.writeText(text);
    say(done);
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
else {
  draw();
  document.getElementById("key").focus();
}
