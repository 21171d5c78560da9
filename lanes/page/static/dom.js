// Making nodes without writing HTML in strings: nothing a person typed can become markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  Object.entries(attributes).forEach(([name, value]) => {
    if (value === null || value === undefined || value === false) return;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "value") node.value = value;
    else node.setAttribute(name, value === true ? "" : value);
  });
  node.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return node;
}

export const el = (tag, attributes = {}, ...children) =>
  fill(document.createElement(tag), attributes, children);

export const svg = (tag, attributes = {}, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

export const set = (node, attributes) =>
  Object.entries(attributes).forEach(([name, value]) => node.setAttribute(name, value));

export const byId = (id) => document.getElementById(id);

let count = 0;

// A label with its entry, tied together for those who hear the page.
export function labelled(text, control, hint = null) {
  count += 1;
  control.id ||= `entry-${count}`;
  const label = el("label", { for: control.id }, text);
  if (!hint) return el("div", { class: "entry" }, label, control);
  const note = el("span", { class: "quiet small", id: `${control.id}-hint` }, hint);
  control.setAttribute("aria-describedby", note.id);
  return el("div", { class: "entry" }, label, control, note);
}

// Put new children into a node, and the keyboard back where it was (by data-key).
export function renew(node, ...children) {
  const key = node.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  node.replaceChildren(...children.flat().filter(Boolean));
  if (key) node.querySelector(`[data-key="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
}
