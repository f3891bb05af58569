// Elements of the page: text is always text, nothing is ever read as markup.

/** An element with attributes, listeners (onclick …) and children, which are elements or text. */
function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (value === true) made.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) made.setAttribute(name, value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

/** Change text only where it differs, so that nothing is announced twice. */
function say(target, words) {
  if (target.textContent !== words) target.textContent = words;
}

function button(words, press, attributes = {}) {
  return element("button", { type: "button", onclick: press, ...attributes }, words);
}

/** The sign of a landmark as a small picture, drawn as on the film. */
function signPicture(sign) {
  const canvas = element("canvas", { width: 44, height: 44, "aria-hidden": "true", class: "sign" });
  const context = canvas.getContext("2d");
  context.scale(2, 2);
  drawMark(context, { x: 11, y: 11 }, sign, { selected: false });
  return canvas;
}
