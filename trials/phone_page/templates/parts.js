// Small parts: elements made without markup, taps that count once, csv cells, files.

const DOUBLE_TAP_MS = 600; // a second touch of a wet glove is not a second tap
let lastTap = 0;

function $(id) {
  return document.getElementById(id);
}

function make(tag, values, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(values || {})) {
    if (name === "class") element.className = value;
    else if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return element;
}

function button(id, words, tapped, look) {
  return make("button", { type: "button", id, class: look || "", onclick: tapped }, words);
}

function capital(text) {
  return text.charAt(0).toUpperCase() + text.slice(1);
}

// For the taps that would do harm if one touch counted twice.
function once(act) {
  return () => {
    const now = Date.now();
    if (Math.abs(now - lastTap) < DOUBLE_TAP_MS) return;
    lastTap = now;
    act();
  };
}

// --- tables and files ---

// A cell by RFC 4180.
function cell(value) {
  const text = String(value);
  return /[",;\t\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
}

function saveFile(text, name, type) {
  const address = URL.createObjectURL(new Blob([text], { type }));
  const link = make("a", { href: address, download: name, hidden: true });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60000);
}

function canShare(file) {
  try {
    return Boolean(navigator.share && navigator.canShare && navigator.canShare({ files: [file] }));
  } catch (error) {
    return false;
  }
}
