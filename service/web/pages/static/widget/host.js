/** The widget's host page: puts the element on the page with a key that somebody types, and writes the lines to copy. */

import "./lobedesk-widget.js";

const script = new URL("lobedesk-widget.js", import.meta.url).href;
document.getElementById("snippet").textContent =
  `<script type="module" src="${script}"></` + `script>\n<lobedesk-widget key="YOUR KEY" language="en" privacy="/privacy"></lobedesk-widget>`;

document.getElementById("try").addEventListener("submit", (event) => {
  event.preventDefault();
  const widget = document.createElement("lobedesk-widget");
  widget.setAttribute("key", document.getElementById("key").value.trim());
  widget.setAttribute("language", document.getElementById("language").value);
  document.getElementById("place").replaceChildren(widget);
});
