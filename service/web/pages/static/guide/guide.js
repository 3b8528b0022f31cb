/** The measuring guide, from the service's own words and drawings. */

import { html, nothing, render } from "../shared/vendor/lit-html.js";

const TIMES = { 1: "Once", 2: "Twice", 3: "Three times" };
const root = document.getElementById("guide");

function drawingOf({ svg, right }) {
  const drawing = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  return html`<figure class=${right ? "right" : "wrong"}>${document.adoptNode(drawing)}
    <figcaption><strong>${right ? "So" : "Not so"}:</strong> ${drawing.getAttribute("aria-label")}</figcaption></figure>`;
}

const list = (items) => html`<ul>${items.map((each) => html`<li>${each}</li>`)}</ul>`;

const entry = (each) => html`
  <section class="sheet" id=${each.feature} aria-labelledby="${each.feature}-title">
    <h2 id="${each.feature}-title">${each.title}</h2>
    ${each.tools.length ? html`<p class="soft small">With: ${each.tools.map((tool) => tool.replaceAll("_", " ")).join(", ")}</p>` : nothing}
    <div class="drawings">${each.drawings.map(drawingOf)}</div>
    <ol>${each.steps.map((step) => html`<li>${step}</li>`)}</ol>
    <h3>Usual mistakes</h3>${list(each.mistakes)}
    <p><strong>${TIMES[each.repeats] ?? `${each.repeats} times`}.</strong> ${each.why_repeats}</p>
  </section>`;

function page(guide) {
  return html`
    <h1>How to measure a camshaft</h1>
    <section class="sheet" aria-labelledby="first-title"><h2 id="first-title">Before you begin</h2>${list(guide.before_you_begin)}
      <p><a href=${guide.papers}>Right-angle card and paper protractor, to print</a> (PDF). Print at 100 %, and measure the bars on them before you use them.</p></section>
    <nav aria-label="Readings"><ul class="row contents">${guide.readings.map((each) => html`<li><a href="#${each.feature}">${each.title}</a></li>`)}</ul></nav>
    ${guide.readings.map(entry)}
    <section class="sheet" aria-labelledby="cautions-title"><h2 id="cautions-title">Cautions</h2>
      <ul class="cautions">${guide.cautions.map((each) => html`<li>${each}</li>`)}</ul></section>`;
}

try {
  const response = await fetch("/v1/guide");
  if (!response.ok) throw new Error(`${response.status}`);
  render(page(await response.json()), (root.replaceChildren(), root));
  if (location.hash) document.querySelector(location.hash)?.scrollIntoView();
} catch (error) {
  render(html`<h1>How to measure a camshaft</h1><p role="alert">The guide cannot be reached just now; load the page again. (${error.message})</p>`, (root.replaceChildren(), root));
}
