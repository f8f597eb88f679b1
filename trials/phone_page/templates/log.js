"use strict";
// The log: every tap is one line of JSON, added at the end of one item of the browser's storage. Lines are never
// changed or taken out; lines that cannot be read are left where they stand. Browsers write that storage to the disk
// some seconds late, so each tap also goes, at once, into a second store: what a crash took comes back from there.

const TIME = /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d$/;

function isText(value) {
  return typeof value === "string";
}

// `kinds` has a check for each kind of entry that a page makes.
function isEntry(e, kinds) {
  return typeof e === "object" && e !== null && isText(e.id) && Number.isSafeInteger(e.n) && Number.isFinite(e.ms) && isText(e.at)
    && TIME.test(e.at) && Object.prototype.hasOwnProperty.call(kinds, e.kind) && kinds[e.kind](e);
}

// A moment as RFC 3339 writes it, to the second, with the phone's own offset from UTC at that moment.
function rfc3339(ms) {
  const moment = new Date(ms);
  const offset = -moment.getTimezoneOffset();
  const two = (number) => String(Math.floor(Math.abs(number))).padStart(2, "0");
  const local = new Date(Math.floor(ms / 1000) * 1000 + offset * 60000).toISOString().slice(0, 19);
  return local + (offset < 0 ? "-" : "+") + two(offset / 60) + ":" + two(offset % 60);
}

// The second store. `found` is called once with what it holds; the function returned puts an entry in.
function openSecondStore(name, found) {
  let database = null;
  const waiting = [];

  function put(entry) {
    if (!database) {
      waiting.push(entry);
      return;
    }
    try {
      database.transaction("taps", "readwrite", { durability: "strict" }).objectStore("taps").add(entry);
    } catch (error) {
      database = null; // closed by the browser: the first store goes on alone
    }
  }

  function opened(request) {
    const all = request.result.transaction("taps").objectStore("taps").getAll();
    all.onsuccess = () => {
      database = request.result;
      waiting.splice(0).forEach(put);
      found(all.result);
    };
  }

  try {
    const request = window.indexedDB.open(name, 1);
    request.onupgradeneeded = () => request.result.createObjectStore("taps", { autoIncrement: true });
    request.onsuccess = () => opened(request);
    request.onerror = (event) => event.preventDefault();
  } catch (error) {
    database = null; // the browser has none, or refuses it
  }
  return put;
}

// The log under a name; `changed` is called when entries came back from the second store.
function openLog(name, kinds, changed) {
  const page = Math.random().toString(36).slice(2, 10);
  const log = { name, entries: [], unreadable: 0, kept: true, add, reread, text };

  function stored() {
    const text = window.localStorage.getItem(name) || "";
    const entries = [];
    let unreadable = 0;
    for (const line of text.split("\n").filter((one) => one.trim())) {
      let entry = null;
      try {
        entry = JSON.parse(line);
      } catch (error) {
        entry = null;
      }
      if (isEntry(entry, kinds)) entries.push(entry);
      else unreadable += 1;
    }
    return { text, entries, unreadable };
  }

  // What is stored comes first: another tab of this page may have added to it.
  function merge(found) {
    const ids = new Set(found.entries.map((entry) => entry.id));
    const missing = log.entries.filter((entry) => !ids.has(entry.id));
    log.entries = [...found.entries, ...missing].sort((one, other) => one.n - other.n);
    log.unreadable = found.unreadable;
    return missing;
  }

  function reread() {
    try {
      merge(stored());
    } catch (error) {
      log.kept = false;
    }
  }

  function add(kind, more) {
    const ms = Date.now();
    const n = log.entries.reduce((most, entry) => Math.max(most, entry.n), 0) + 1;
    const entry = Object.assign({ id: [page, n, ms].join("-"), n, ms, at: rfc3339(ms), kind }, more);
    log.entries.push(entry);
    keep();
    second(entry);
  }

  function keep() {
    try {
      const found = stored();
      const missing = merge(found);
      const before = found.text && !found.text.endsWith("\n") ? found.text + "\n" : found.text;
      const wanted = before + missing.map((entry) => JSON.stringify(entry) + "\n").join("");
      window.localStorage.setItem(name, wanted);
      log.kept = window.localStorage.getItem(name) === wanted;
    } catch (error) {
      log.kept = false;
    }
  }

  function bringBack(found) {
    const ids = new Set(log.entries.map((entry) => entry.id));
    const lost = found.filter((entry) => isEntry(entry, kinds)).filter((entry) => !ids.has(entry.id));
    if (!lost.length) return;
    log.entries.push(...lost);
    keep();
    log.entries.sort((one, other) => one.n - other.n);
    changed();
  }

  function text() {
    return log.entries.map((entry) => JSON.stringify(entry) + "\n").join("");
  }

  reread();
  const second = openSecondStore(name, bringBack);
  return log;
}
