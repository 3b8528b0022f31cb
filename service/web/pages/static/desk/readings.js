/** The rows of a call: what may be read on a shaft, in the order in which the desk asks for it. */

import { readAmount, readAmounts } from "../shared/amounts.js";
import { capital, plain } from "./words.js";


export const TOOLS = {
  digital_caliper: "digital caliper",
  dial_caliper: "dial caliper",
  vernier_caliper: "vernier caliper",
  outside_micrometer: "outside micrometer",
  dial_indicator: "dial indicator",
  degree_wheel: "degree wheel",
  protractor: "protractor",
  bench: "bench",
};

const WIDTHS = ["digital_caliper", "dial_caliper", "vernier_caliper", "outside_micrometer", "bench"];
const ANGLES = ["degree_wheel", "protractor", "bench"];

/** The tools that can take a feature. */
export function toolsFor(feature) {
  if (["duration", "valve_event", "lobe_separation"].includes(feature)) return ANGLES;
  if (["lobe_lift", "valve_lift", "zero_check"].includes(feature)) return ["dial_indicator", ...WIDTHS];
  return WIDTHS;
}

const CYLINDER = ["cylinder", "cylinder, if several", ""];

/** What has to be said of a reading of each feature beside its values: name, label, and choices or a first value. */
export const QUALIFIERS = {
  lobe_height: [CYLINDER],
  base_circle: [CYLINDER],
  lobe_lift: [CYLINDER],
  valve_lift: [["rocker_ratio", "rocker ratio", "1.0"], ["lash", "lash (0 if gross)", "0"], CYLINDER],
  duration: [["checking_lift", "at lift", "0.050"], ["degrees", "degrees", ["crank", "cam"]], ["at", "at the", ["lobe", "valve"]], CYLINDER],
  valve_event: [["checking_lift", "at lift", "0.050"], ["at", "at the", ["lobe", "valve"]], CYLINDER],
  flank_width: [["included_angle", "angle between", "90"], CYLINDER],
  zero_check: [["reference", "true size", "0"]],
};

const of = (feature, more = {}) => ({ feature, ...more });
const both = (feature) => [of(feature, { lobe: "intake" }), of(feature, { lobe: "exhaust" })];

/** The rows every call begins with. */
const USUAL = [
  of("zero_check", { reference: "0" }),
  of("journal_diameter", { position: "front" }),
  of("lobe_height", { lobe: "intake" }),
  of("base_circle", { lobe: "intake" }),
  of("lobe_height", { lobe: "exhaust" }),
  of("base_circle", { lobe: "exhaust" }),
  of("overall_length"),
  of("gear_teeth"),
];

/** What can be added to them; what is among them too is read again, with another tool or on another cylinder. */
export const MORE = [
  of("journal_diameter", { position: "middle" }),
  of("journal_diameter", { position: "rear" }),
  ...both("duration"),
  ...both("lobe_lift"),
  ...both("valve_lift"),
  of("lobe_separation"),
  ...both("flank_width"),
  ...["intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes"].map((event) => of("valve_event", { event })),
  of("journal_diameter", { position: "front" }),
  ...both("lobe_height"),
  ...both("base_circle"),
  of("overall_length"),
  of("zero_check"),
];

/** The name of a reading that can be added: one that every call begins with is taken once more. */
export const moreLabelOf = (reading) => labelOf(reading) + (USUAL.some((each) => placeOf(each) === placeOf(reading)) ? ", once more" : "");

/** A reading in words: "Intake lobe height". */
export function labelOf(reading) {
  const cylinder = reading.cylinder ? `, cylinder ${reading.cylinder}` : "";
  switch (reading.feature) {
    case "zero_check": return "Zero check";
    case "journal_diameter": return `${capital(reading.position)} journal`;
    case "base_circle": return `${capital(reading.lobe)} base circle${cylinder}`;
    case "valve_event": return capital(plain(reading.event)) + cylinder;
    case "overall_length": return "Overall length";
    case "lobe_separation": return `Lobe separation${cylinder}`;
    case "gear_teeth": return "Gear teeth";
    case "flank_width": return `${capital(reading.lobe)} flank width${reading.flank ? `, ${reading.flank}` : ""}${cylinder}`;
    default: return `${capital(reading.lobe)} ${plain(reading.feature)}${cylinder}`;
  }
}

const placeOf = (r) => [r.feature, r.lobe, r.cylinder, r.position, r.event, r.flank].join("|");

let serial = 0;

/** A row for a reading; qualifiers left open get their usual values. */
export function makeRow(reading, usual = false) {
  const row = { id: `row-${Date.now().toString(36)}-${serial++}`, usual, text: "", tool: "", reading: { ...reading } };
  for (const [name, , first] of QUALIFIERS[reading.feature] ?? []) {
    row.reading[name] ??= Array.isArray(first) ? first[0] : first;
  }
  return row;
}

/** A call with nothing in it yet. */
export function emptyCall() {
  return {
    source: "phone",
    unit: "in",
    instrument: "digital_caliper",
    experience: "",
    condition: "used",
    engine_family: "",
    tools: [],
    markings: "",
    name: "",
    email: "",
    phone: "",
    note: "",
    rows: USUAL.map((reading) => makeRow(reading, true)),
    kept: null,
  };
}

/** The qualifiers of a row that are sizes, and may be written as sizes are. */
const sizesOf = (row) => (QUALIFIERS[row.reading.feature] ?? []).filter((each) => each !== CYLINDER && !Array.isArray(each[2]));

/** What is wrong with a row as it stands, or "". */
export function faultOf(row) {
  const { bad } = readAmounts(row.text);
  if (bad.length) return `“${bad[0]}” is not a size yet`;
  const unread = sizesOf(row).find(([name]) => row.reading[name]?.toString().trim() && readAmount(String(row.reading[name])) === null);
  if (unread) return `${unread[1]}: “${row.reading[unread[0]]}” is not a size yet`;
  if (!/^\d{0,2}$/.test(String(row.reading.cylinder ?? "").trim())) return "the cylinder is a whole number, 1 at the front";
  if (row.reading.feature === "gear_teeth" && row.text.trim() && !/^\d{1,3}$/.test(row.text.trim())) return "a whole number";
  return "";
}

/** The body of a submission, and for each of its readings the id of the row it is from. */
export function bodyOf(call) {
  const body = { source: call.source, unit: call.unit, readings: [] };
  const rowOf = [];
  for (const name of ["instrument", "experience", "condition"]) if (call[name]) body[name] = call[name];
  if (call.engine_family.trim()) body.engine_family = call.engine_family.trim();
  if (call.tools.length) body.tools = [...call.tools];
  for (const row of call.rows) {
    if (!row.text.trim() || faultOf(row)) continue;
    if (row.reading.feature === "gear_teeth") {
      body.counts = { gear_teeth: Number(row.text.trim()) };
      continue;
    }
    const said = Object.entries(row.reading).filter(([, value]) => value !== null && String(value).trim() !== "");
    const reading = { ...Object.fromEntries(said), values: readAmounts(row.text).values };
    for (const [name] of sizesOf(row)) if (name in reading) reading[name] = readAmount(String(reading[name]));
    if (reading.cylinder) reading.cylinder = Number(reading.cylinder);
    if (row.tool) reading.instrument = row.tool;
    body.readings.push(reading);
    rowOf.push(row.id);
  }
  return { body, rowOf };
}

/** What is kept with a call and never weighed. */
export function wholeBodyOf(call) {
  const { body } = bodyOf(call);
  const contact = {};
  for (const name of ["name", "email", "phone"]) if (call[name].trim()) contact[name] = call[name].trim();
  if (Object.keys(contact).length) body.contact = contact;
  if (call.note.trim()) body.note = call.note.trim();
  if (call.markings.trim()) body.markings = [{ place: "as told", text: call.markings.trim() }];
  return body;
}

const SAID_ONCE = ["experience", "condition", "engine_family", "counts", "tools", "contact", "note"];
const TAKEN_BACK = ["experience", "condition", "engine_family", "counts"];

/**
 * What is new in a call since it was kept, as the API takes it, or null where something that was kept is another now: a
 * reading, the unit, the tool. A repeat written behind a reading is a reading more.
 */
export function additionTo(kept, body) {
  const text = (what) => JSON.stringify(what ?? null);
  if (["source", "unit", "instrument"].some((name) => text(kept[name]) !== text(body[name]))) return null;
  if (TAKEN_BACK.some((name) => name in kept && !(name in body))) return null;
  const readings = readingsAdded(kept.readings, body.readings);
  if (!readings) return null;
  const addition = Object.fromEntries([...SAID_ONCE, "markings"].filter((name) => name in body && text(kept[name]) !== text(body[name])).map((name) => [name, body[name]]));
  return readings.length ? { ...addition, readings } : addition;
}

function readingsAdded(kept, now) {
  const rest = ({ values, ...reading }) => JSON.stringify(reading);
  const goesOn = (had) => (each) => rest(each) === rest(had) && had.values.every((value, i) => value === each.values[i]);
  const left = [...now];
  const added = [];
  for (const had of [...kept].sort((a, b) => b.values.length - a.values.length)) {
    const at = left.findIndex(goesOn(had));
    if (at < 0) return null;
    const [found] = left.splice(at, 1);
    if (found.values.length > had.values.length) added.push({ ...found, values: found.values.slice(had.values.length) });
  }
  return [...added, ...left];
}

/**
 * `{call, rowOf}`: a case as a call, to go on with it, and the row each of its readings has become. The case is its `id`,
 * `reference`, and its submission as the API shows it.
 */
export function callOf({ id, reference, submission: { unit, submission: kept, review } }) {
  const call = { ...emptyCall(), unit, engine_family: kept.engine_family ?? "", tools: kept.tools ?? [], note: kept.note ?? "" };
  for (const name of ["instrument", "experience", "condition"]) call[name] = kept[name] ?? "";
  call.source = ["phone", "counter"].includes(kept.source) ? kept.source : "phone";
  Object.assign(call, Object.fromEntries(Object.entries(kept.contact ?? {}).filter(([, value]) => value)));
  call.markings = kept.markings.map(({ text }) => text).join(", ");
  const rowOf = [];
  for (const { values, instrument, ...reading } of kept.readings) {
    let row = call.rows.find((each) => !rowOf.includes(each.id) && placeOf(each.reading) === placeOf(reading));
    if (!row) call.rows.push(row = makeRow(reading));
    rowOf.push(row.id);
    Object.assign(row, { text: values.join(" "), tool: instrument === kept.instrument ? "" : instrument ?? "", reading: { ...row.reading, ...reading } });
  }
  if (kept.counts?.gear_teeth) call.rows.find(({ reading }) => reading.feature === "gear_teeth").text = String(kept.counts.gear_teeth);
  call.kept = { id, reference, review, body: wholeBodyOf(call) };
  return { call, rowOf };
}

/**
 * The row of a reading that is asked for, with the tool that is asked for; added to the call where it has none, or has the
 * reading from another tool already.
 */
export function rowFor(call, wanted) {
  const reading = { feature: wanted.feature };
  for (const name of ["lobe", "cylinder", "position", "checking_lift", "degrees"]) {
    if (wanted[name] !== null && wanted[name] !== undefined) reading[name] = wanted[name];
  }
  const tool = wanted.instrument && wanted.instrument !== call.instrument ? wanted.instrument : "";
  const isIt = (row) => placeOf(row.reading) === placeOf(reading) && (!wanted.instrument || !row.text.trim() || row.tool === tool);
  const row = call.rows.find(isIt) ?? makeRow(reading);
  if (!call.rows.includes(row)) call.rows.push(row);
  return row;
}

/** Put what was meant in place of what was written. `rowOf` says which row each reading was sent from. */
export function correct(call, correction, rowOf) {
  if (correction.unit) call.unit = correction.unit;
  const written = [];
  for (const { pointer, reading } of correction.readings) {
    const row = call.rows.find(({ id }) => id === rowOf[Number(pointer.split("/").pop())]);
    if (row) written.push([row, reading]);
  }
  const freed = written.map(([row]) => row);
  const texts = written.map(([, reading]) => reading.values.join(" "));
  freed.forEach((row) => { row.text = ""; });
  written.forEach(([row, { values, instrument, ...reading }], i) => {
    const own = placeOf(row.reading) === placeOf(reading);
    const target = own ? row : freed.find((each) => placeOf(each.reading) === placeOf(reading)) ?? rowFor(call, reading);
    target.reading = { ...target.reading, ...reading };
    target.text = texts[i];
  });
}
