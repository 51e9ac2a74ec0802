// Elements, made without markup: text goes in as text, so a lot's name can never become a tag.

let busy = false;

// Do one tap at a time: a second one before the first is written would note the same thing twice.
async function oneAtATime(work) {
  if (busy) return;
  busy = true;
  try {
    await work();
  } finally {
    busy = false;
  }
}

function make(tag, options = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(options)) {
    if (name === "tap") element.addEventListener("click", () => oneAtATime(value));
    else if (value !== false && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

function button(says, tap, options = {}) {
  return make("button", { type: "button", tap, ...options }, ...[says].flat());
}
