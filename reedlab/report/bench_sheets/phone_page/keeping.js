// Keeps entries: a log that is only added to, in IndexedDB.
//
// IndexedDB rather than localStorage, since a "strict" transaction is on the disk when it ends, and
// since transactions of two open pages wait for each other, so that two entries never share a number.
// An action is what one tap notes: rows of the bench's tables, numbered from `n` on.

const LOG = "log";
const NOTES = "notes"; // what the page remembers beside entries: its letter, the stopwatch, what was sent
const PATIENCE_MS = 4000; // a browser that does not answer by then keeps nothing
const LATE = new Error("the browser does not answer");

class Keeping {
  constructor(name) {
    this.name = name;
    this.log = [];
    this.notes = {};
    this.lasting = false;
    this.silent = false;
    this.database = null;
    this.onRestored = () => {};
  }

  async open() {
    this.silent = false;
    try {
      await this.connect();
      await this.tryOut();
      await this.transact((log, notes) => this.readAll(log, notes));
      this.lasting = true;
    } catch {
      this.lasting = false;
    }
  }

  // The number of the next row.
  next() {
    const last = this.log.at(-1);
    return Math.max(this.notes.cleared ?? 1, last ? last.n + last.rows.length : 1);
  }

  // Add an action; if it cannot be kept it stays in memory, and `lasting` says so.
  async append(action) {
    const token = `${Date.now()}-${Math.random()}`; // to know it again if an answer comes late
    const numbered = await this.kept((log, notes) => {
      const count = log.count();
      const end = log.openKeyCursor(null, "prev");
      const done = { action: null };
      const add = () => {
        done.action = this.log.find((one) => one.token === token);
        if (done.action) return;
        done.action = { ...action, token, n: this.next() };
        log.add(done.action);
      };
      end.onsuccess = () => {
        const same = count.result === this.log.length
          && (end.result?.key ?? 0) === (this.log.at(-1)?.n ?? 0);
        if (same) add();
        else this.readAll(log, notes, add);
      };
      return done;
    });
    const added = numbered?.action ?? { ...action, token, n: this.next() };
    if (!this.log.includes(added)) this.log.push(added);
    return added;
  }

  async note(name, value) {
    this.notes[name] = value;
    await this.kept((log, notes) => {
      notes.put(value, name);
      if (!this.lasting) this.readAll(log, notes); // room for a note is not yet room for entries
    });
  }

  // Forget actions before a number; later ones go on counting from there.
  async clear(before) {
    this.log = this.log.filter((action) => action.n >= before);
    this.notes.cleared = Math.max(before, this.notes.cleared ?? 1);
    await this.kept((log, notes) => {
      log.delete(IDBKeyRange.upperBound(before, true));
      notes.put(this.notes.cleared, "cleared");
    });
  }

  // Look at the disk again: another page may have added entries, the browser may have cleared them.
  async refresh() {
    if (this.lasting) await this.kept((log, notes) => this.readAll(log, notes));
  }

  // Run work in a transaction; connect once more if the browser has closed the database.
  async kept(work) {
    for (let attempt = 0; attempt < 2 && !this.silent; attempt += 1) {
      try {
        if (!this.database) await this.connect();
        const result = await this.transact(work);
        this.lasting = true;
        return result;
      } catch (error) {
        this.silent = error === LATE; // waiting for it at each tap would stop her work
        this.database?.close();
        this.database = null;
      }
    }
    this.lasting = false;
    return null;
  }

  // Put together what the disk holds and what this page knows: neither loses an entry to the other.
  readAll(log, notes, then = () => {}) {
    const stored = log.getAll();
    const names = notes.getAllKeys();
    const values = notes.getAll();
    values.onsuccess = () => {
      const there = Object.fromEntries(names.result.map((name, at) => [name, values.result[at]]));
      const cleared = Math.max(this.notes.cleared ?? 1, there.cleared ?? 1);
      const byNumber = new Map(stored.result.map((action) => [action.n, action]));
      const missing = this.log.filter((action) => !byNumber.has(action.n) && action.n >= cleared);
      for (const action of missing) log.put(action);
      for (const [name, value] of Object.entries(this.notes)) {
        if (!(name in there)) notes.put(value, name);
      }
      if (missing.length && this.lasting) notes.put(true, "restored"); // cleared, not just full
      there.restored ||= missing.length > 0 && this.lasting;
      this.log = [...byNumber.values(), ...missing].sort((one, other) => one.n - other.n);
      this.notes = { ...this.notes, ...there, cleared };
      then();
    };
  }

  connect() {
    return within(PATIENCE_MS, (resolve, reject) => {
      const asked = indexedDB.open(this.name, 1);
      asked.onupgradeneeded = () => {
        asked.result.createObjectStore(LOG, { keyPath: "n" });
        asked.result.createObjectStore(NOTES);
      };
      asked.onerror = () => reject(asked.error);
      asked.onsuccess = () => {
        this.database = asked.result;
        this.database.onclose = () => { // the browser cleared its storage while the page is open
          this.database = null;
          this.refresh().then(() => this.onRestored());
        };
        resolve();
      };
    });
  }

  // Write a test entry, and read it back in a transaction of its own.
  async tryOut() {
    const mark = `${Math.random()}`;
    await this.transact((log, notes) => notes.put(mark, "test"));
    const found = await this.transact((log, notes) => notes.get("test"));
    if (found.result !== mark) throw new Error("a test entry did not come back");
    await this.transact((log, notes) => notes.delete("test"));
  }

  transact(work) {
    return within(PATIENCE_MS, (resolve, reject) => {
      const step = this.database.transaction([LOG, NOTES], "readwrite", { durability: "strict" });
      step.onabort = () => reject(step.error ?? new Error("the browser stopped writing"));
      const result = work(step.objectStore(LOG), step.objectStore(NOTES));
      step.oncomplete = () => resolve(result);
    });
  }
}

function within(milliseconds, work) {
  return new Promise((resolve, reject) => {
    setTimeout(reject, milliseconds, LATE);
    work(resolve, reject);
  });
}
