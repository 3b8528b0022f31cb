/** Words the desk's screens share: names and times as people read them, and what a failed call leaves to say. */

import { html } from "../shared/vendor/lit-html.js";
import { Refused, Unreachable } from "../shared/api.js";

export const plain = (name) => name.replaceAll("_", " ");
export const capital = (text) => text && text[0].toUpperCase() + text.slice(1);

/** A case's reference as it is read aloud, in two groups of four; taken to the clipboard it is one number. */
export const aloud = (reference) => html`<span class="aloud"><span>${reference.slice(0, 4)}</span><span>${reference.slice(4)}</span></span>`;

/** A moment, in this computer's own time. */
export const clock = (iso) => new Date(iso).toLocaleString([], { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
export const day = (iso) => new Date(iso).toLocaleDateString([], { day: "numeric", month: "short", year: "numeric" });

/** Words for the person at the screen; what is no failed call is thrown on. */
export function wordsOf(error) {
  if (error instanceof Unreachable) return "No connection. Try again: what is sent twice as it stands counts once.";
  if (error instanceof Refused) return error.problem.errors?.[0]?.detail ?? error.message;
  throw error;
}

const SAYS = {
  identified: "identified",
  ambiguous: "cannot tell yet",
  not_in_catalogue: "not in the catalogue",
  more_readings_needed: "more readings needed",
};

/** The state of an answer, or of anything else, in words. */
export const stateOf = (state) => SAYS[state] ?? plain(state);

/** What a person decided, in words. */
export const verdictOf = ({ outcome, part_number: part }) => (outcome === "part" ? part : outcome === "cannot_tell" ? "cannot tell" : "not in the catalogue");
