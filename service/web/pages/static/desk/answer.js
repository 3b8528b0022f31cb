/** An answer on the screen: what it is, what to ask, why, and how far to trust it. */

import { html, nothing } from "../shared/vendor/lit-html.js";
import { percent } from "../shared/amounts.js";
import { TOOLS, labelOf } from "./readings.js";
import { capital, plain } from "./words.js";

export const UNITS = { in: "inches", mm: "millimetres" };

/** The answer in one line, for the eye and for the live region. */
export function headline(said) {
  const best = said.candidates[0];
  switch (said.state) {
    case "identified": return `${said.answer.part_number}, ${percent(said.answer.probability)} sure`;
    case "ambiguous": {
      const few = said.credible_set.length;
      return few > 1 ? `One of ${few}; ${best.part_number} leads with ${percent(best.probability)}` : "Not sure enough to name one";
    }
    case "not_in_catalogue": return `Not in the catalogue, ${percent(said.not_in_catalogue_probability)} sure`;
    default: return best ? `Not yet: ${best.part_number} leads with ${percent(best.probability)}` : "Not yet";
  }
}

export function verdict(said) {
  const same = said.answer?.same_as ?? [];
  return html`
    <h2 class="verdict ${said.state}">${headline(said)}</h2>
    ${same.length ? html`<p class="soft">The same grind is also sold as ${same.join(", ")}.</p>` : nothing}
    ${said.customer_sees ? html`<p>The customer still sees ${heard(said.customer_sees)}, from catalogue revision ${said.customer_sees.catalogue_revision}, until somebody decides.</p>` : nothing}
  `;
}

const NOTHING_NAMED = { not_in_catalogue: "that it fits no part", more_readings_needed: "that more readings are needed" };

/** An earlier answer in a few words: `{state, part_number}`. */
export function heard({ state, part_number: part }) {
  return state === "identified" ? part : NOTHING_NAMED[state] ?? `that it is ambiguous, ${part} first`;
}

export function candidates(said) {
  const rest = [
    ["Parts not listed here", said.left_off_probability],
    ["None of the catalogue's parts", said.not_in_catalogue_probability],
  ];
  return html`
    <table class="candidates">
      <caption class="unseen">Candidates, the likeliest first</caption>
      <thead class="unseen"><tr><th scope="col">Part</th><th scope="col">Core</th><th scope="col">Probability</th></tr></thead>
      <tbody>
        ${said.candidates.slice(0, 5).map((each) => html`
          <tr>
            <th scope="row">${each.part_number}${each.same_as.length ? html`<span class="soft small"> = ${each.same_as.join(", ")}</span>` : nothing}
              ${each.reground_probability > 0.2 ? html`<span class="soft small"> perhaps reground</span>` : nothing}</th>
            <td class="soft">${each.core}</td>
            <td class="share"><div><meter min="0" max="1" .value=${each.probability} aria-hidden="true"></meter><span class="number">${percent(each.probability)}</span></div></td>
          </tr>`)}
        ${rest.filter(([, p]) => p > 0.0005).map(([name, p]) => html`
          <tr><th scope="row" class="soft">${name}</th><td></td>
            <td class="share"><div><meter min="0" max="1" .value=${p} aria-hidden="true"></meter><span class="number">${percent(p)}</span></div></td></tr>`)}
      </tbody>
    </table>`;
}

const OTHERS = { prior: "Before any reading", "/counts/gear_teeth": "Gear teeth", "/engine_family": "Engine named", "/lift_tables": "Lift tables", "/valve_events": "Valve events" };

function nameOf(pointer, readings) {
  const place = /^\/readings\/(\d+)$/.exec(pointer);
  return place ? labelOf(readings[Number(place[1])]) : OTHERS[pointer] ?? pointer;
}

/** Why the leading candidate leads. `readings` are those of the submission that was answered. */
export function evidence(said, readings) {
  const best = said.candidates[0];
  if (!best?.evidence?.length) return nothing;
  return html`
    <details>
      <summary><h3>Why ${best.part_number}</h3></summary>
      <div class="wide" tabindex="0" role="region" aria-label="Evidence for ${best.part_number}">
      <table>
        <caption class="soft small">Lengths in ${UNITS[said.unit]}. Each bit doubles the odds for it against the next best; a minus speaks against it.</caption>
        <thead><tr><th scope="col">Reading</th><th scope="col" class="number">Measured</th><th scope="col" class="number">Expected</th>
          <th scope="col" class="number">Difference</th><th scope="col" class="number">Bits</th></tr></thead>
        <tbody>${best.evidence.map((row) => html`
          <tr><th scope="row">${nameOf(row.reading, readings)}</th>
            <td class="number">${row.measured ?? "–"}</td><td class="number">${row.expected ?? "–"}</td>
            <td class="number">${row.difference ?? "–"}</td><td class="number">${row.bits > 0 ? "+" : ""}${row.bits.toFixed(1).replace("-", "−")}</td></tr>`)}
        </tbody>
      </table></div>
    </details>`;
}

const AS_WRITTEN = "Worked out from the readings as they are written, the slip in them included.";

const CANNOT_BE = "No lift: the height is no larger than the base circle. One of the two is not what it is called.";

const liftsOf = (said) => said.derived.filter(({ quantity }) => quantity === "lobe_lift");

const canBe = ({ can_be: can }) => can !== false;

export function derived(said) {
  const lifts = liftsOf(said);
  if (!lifts.length) return nothing;
  return html`
    <div class="wide" tabindex="0" role="region" aria-label="Worked out">
    <table>
      <caption class="unseen">Worked out from the readings, in ${UNITS[said.unit]}</caption>
      <thead><tr><th scope="col">Worked out</th><th scope="col" class="number">As read</th><th scope="col" class="number">Corrected</th>
        <th scope="col" class="number">95 in 100 between</th></tr></thead>
      <tbody>${lifts.map((each) => html`
        <tr><th scope="row">${labelOf({ feature: "lobe_lift", lobe: each.lobe, cylinder: each.cylinder })}</th>
          ${canBe(each) ? html`<td class="number">${each.value}</td><td class="number">${each.corrected}</td>
          <td class="number">${each.interval[0]} – ${each.interval[1]}</td>` : html`<td colspan="3">${CANNOT_BE}</td>`}</tr>`)}
      </tbody>
    </table></div>
    ${said.suspected_slips.length && lifts.some(canBe) ? html`<p class="aside">${AS_WRITTEN}</p>` : nothing}`;
}

export function advice(said) {
  if (!said.advice.length) return nothing;
  return html`<ul class="advice">${said.advice.map((each) => html`<li>${each.message}</li>`)}</ul>`;
}

export function cautions(said) {
  return html`
    <details class="sheet" open>
      <summary><h3>Cautions to read out</h3></summary>
      <ul class="cautions small">${said.cautions.map((each) => html`<li>${each}</li>`)}</ul>
    </details>`;
}

/** What was read, as it was written. */
export function readingsTable(said) {
  const { readings, counts } = said.submission;
  return html`
    <table><caption class="unseen">Readings</caption>
      <thead><tr><th scope="col">Reading</th><th scope="col" class="number">In ${UNITS[said.unit]}</th><th scope="col">Tool</th></tr></thead>
      <tbody>${readings.map((each) => html`<tr><th scope="row">${labelOf(each)}</th><td class="number">${each.values.join("  ")}</td><td class="soft">${TOOLS[each.instrument]}</td></tr>`)}
      ${Object.entries(counts ?? {}).map(([name, count]) => html`<tr><th scope="row">${capital(plain(name))}</th><td class="number">${count}</td><td></td></tr>`)}</tbody>
    </table>`;
}

/** A drawing of the service's, taken into the page as the drawing it is, so that what it says can be read out. */
export function drawingOf(svg) {
  if (!svg) return null;
  const drawing = new DOMParser().parseFromString(svg, "image/svg+xml").documentElement;
  return drawing.localName === "svg" ? document.adoptNode(drawing) : null;
}

/** The chart of an answer. */
export function chart(svg) {
  const drawing = drawingOf(svg);
  return drawing ? html`<details open><summary><h3>Chart</h3></summary><div class="chart">${drawing}</div></details>` : nothing;
}

/** The answer as text for an e-mail. */
export function summary(said, readings, values, reference) {
  const lines = [headline(said), ""];
  if (reference) lines.push(`Reference ${reference.slice(0, 4)} ${reference.slice(4)}`, "");
  if (said.answer?.same_as.length) lines.push(`The same grind is also sold as ${said.answer.same_as.join(", ")}.`, "");
  if (said.state !== "identified") {
    lines.push("What it could be");
    for (const each of said.candidates.slice(0, 5)) lines.push(`  ${each.part_number}: ${percent(each.probability)}`);
    lines.push(`  none of the catalogue's parts: ${percent(said.not_in_catalogue_probability)}`, "");
  }
  lines.push(`Measured, in ${UNITS[said.unit]}`);
  readings.forEach((reading, i) => lines.push(`  ${labelOf(reading)}: ${values[i]}`));
  for (const each of liftsOf(said)) {
    const found = canBe(each) ? `${each.corrected} (95 times in 100 from ${each.interval[0]} to ${each.interval[1]})` : CANNOT_BE;
    lines.push(`  ${labelOf({ feature: "lobe_lift", lobe: each.lobe })}, worked out: ${found}`);
  }
  if (said.suspected_slips.length) {
    if (liftsOf(said).some(canBe)) lines.push(`  ${AS_WRITTEN}`);
    lines.push("", "Please check", ...said.suspected_slips.map((each) => `  ${each.message}`));
  }
  if (said.next_reading) lines.push("", `Would help most: ${said.next_reading.message}`);
  lines.push("", "Please note", ...said.cautions.map((each) => `- ${each}`));
  return lines.join("\n");
}
