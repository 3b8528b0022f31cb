/** The widget's look. A store sets the `--lobedesk-…` properties on the element, and nothing else reaches in. */

export const sheet = new CSSStyleSheet();
sheet.replaceSync(`
:host {
  --accent: var(--lobedesk-accent, #155e63);
  --accent-ink: var(--lobedesk-accent-ink, #ffffff);
  --ink: var(--lobedesk-ink, #1b2326);
  --soft: var(--lobedesk-soft, #535e62);
  --paper: var(--lobedesk-paper, #ffffff);
  --line: var(--lobedesk-line, #7b8683);
  --warn: var(--lobedesk-warn, #8a2c0d);
  --round: var(--lobedesk-radius, 8px);
  display: block;
  max-width: 30rem;
  color: var(--ink);
  background: var(--paper);
  border: 1px solid var(--line);
  border-radius: var(--round);
  padding: 1rem;
  font: 1rem/1.45 var(--lobedesk-font, system-ui, sans-serif);
  text-align: start;
}
*, *::before, *::after { box-sizing: border-box; }
h2 { font-size: 1.3rem; line-height: 1.25; margin: 0; }
h2:focus { outline: none; }
h3 { font-size: 1.05rem; margin: 0.4rem 0 0; }
p, ul { margin: 0; }
ul { padding-inline-start: 1.2rem; }
li + li { margin-block-start: 0.35rem; }
.stack { display: flex; flex-direction: column; gap: 0.8rem; }
.soft { color: var(--soft); }
.small { font-size: 0.875rem; }
.fault { color: var(--warn); font-weight: 600; }
.box { border: 2px solid var(--warn); border-radius: var(--round); padding: 0.6rem 0.8rem; }
a { color: var(--accent); }
a.link { overflow-wrap: anywhere; }
:focus-visible { outline: 3px solid var(--ink); outline-offset: 2px; box-shadow: 0 0 0 2px var(--paper); }
label { display: block; font-weight: 600; }
label.check { display: flex; gap: 0.5rem; align-items: center; font-weight: 400; min-height: 2.75rem; }
label.check input { width: 1.3rem; height: 1.3rem; min-height: 0; flex: none; accent-color: var(--accent); }
fieldset { border: 0; padding: 0; margin: 0; }
legend { font-weight: 600; padding: 0; }
.choices { display: flex; flex-wrap: wrap; gap: 0 1.25rem; }
input, select, textarea, button {
  font: inherit; font-weight: 400; color: inherit; width: 100%; min-height: 2.75rem; border: 1px solid var(--line);
  border-radius: var(--round); background: var(--paper); padding: 0.4rem 0.7rem;
}
input.value { font-size: 1.25rem; font-variant-numeric: tabular-nums; }
input[aria-invalid="true"] { border: 2px solid var(--warn); }
textarea { min-height: 5rem; }
button { cursor: pointer; font-weight: 600; }
button.first { background: var(--accent); color: var(--accent-ink); border-color: var(--accent); min-height: 3.1rem; }
button:disabled { opacity: 0.6; cursor: default; }
button.plain { border: 0; color: var(--accent); text-decoration: underline; font-weight: 400; }
.pair { display: grid; grid-template-columns: 1fr 1fr; gap: 0.5rem; }
label.file { position: relative; border: 1px dashed var(--line); border-radius: var(--round); padding: 0.7rem; text-align: center; cursor: pointer; }
label.file:focus-within { outline: 3px solid var(--ink); outline-offset: 2px; }
.told:empty { margin-block-end: -0.8rem; }
.photos { list-style: none; padding: 0; }
.photos:empty { display: none; }
.photos li { display: flex; justify-content: space-between; align-items: center; gap: 0.5rem; overflow-wrap: anywhere; }
.photos button { width: auto; flex: none; }
.drawings { display: grid; grid-template-columns: repeat(auto-fit, minmax(8rem, 1fr)); gap: 0.5rem; }
figure { margin: 0; border: 1px solid var(--line); border-radius: var(--round); padding: 0.25rem; }
figure.wrong { border-style: dashed; color: var(--warn); }
figure svg { display: block; width: 100%; height: auto; max-height: 9rem; }
.part { font-size: 1.6rem; font-weight: 700; overflow-wrap: anywhere; }
.unseen { position: absolute; inline-size: 1px; block-size: 1px; overflow: hidden; clip-path: inset(50%); white-space: nowrap; }
`);
