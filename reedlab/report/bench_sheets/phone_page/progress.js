// What is in progress: the bench as it was when this page was made, and every entry since.

class Progress {
  constructor(bench) {
    this.bench = bench;
    this.rebuild([], "");
  }

  // Start again from the bench, and go through the log. Entries that the bench has are in it already.
  rebuild(log, device) {
    this.reeds = new Map(this.bench.blanks.map((reed) => [reed.reed, { ...reed }]));
    this.timed = new Map(); // minutes of blanks that were timed alone, by label and step
    const undone = new Map(log.filter((one) => one.undoes).map((one) => [one.undoes, one]));
    const there = (action) => action.rows.every((row, at) => this.inBench(action.n + at, device));
    for (const action of log) {
      if (action.undoes) continue;
      const undo = undone.get(action.n);
      if (undo && there(action) && !there(undo)) this.restore(action);
      else if (!undo) this.apply(action, there(action));
    }
  }

  // Is the entry of this number in the bench that this page was made from?
  inBench(number, device) {
    return (this.bench.gathered[device] ?? []).some(([low, high]) => low <= number && number <= high);
  }

  apply(action, there = false) {
    for (const { table, cells } of action.rows) {
      if (table === "sittings" && cells.reeds.endsWith(";")) {
        const key = `${cells.reeds.slice(0, -1)}|${cells.stage}`;
        this.timed.set(key, Number(cells.minutes) + (this.timed.get(key) ?? 0));
      }
      if (there || table !== "reeds" || !(cells.tied_on || this.reeds.has(cells.reed))) continue;
      const reed = { ...this.reeds.get(cells.reed), ...cells };
      if (cells.tied_on) Object.assign(reed, { last: "tie", since: cells.tied_on });
      for (const [step, column] of Object.entries(this.bench.done_on)) {
        if (cells[column]) Object.assign(reed, { last: step, since: cells[column] });
      }
      this.reeds.set(cells.reed, reed);
    }
  }

  // What reeds were before an action, so that it can be taken back even if its entries are far away.
  before(rows) {
    const labels = rows.filter((row) => row.table === "reeds").map((row) => row.cells.reed);
    return labels.map((label) => [label, this.reeds.get(label) ?? null]);
  }

  restore(action) {
    for (const [label, reed] of action.before) {
      if (reed) this.reeds.set(label, reed);
      else this.reeds.delete(label);
    }
  }

  nextStep(reed) {
    const { steps } = this.bench;
    return steps[steps.indexOf(reed.last) + 1] ?? steps.at(-1);
  }

  // Batches: blanks of one lot, one day of tying, one maker and one next step; those that rest last.
  batches(today) {
    const found = new Map();
    for (const reed of this.reeds.values()) {
      if (reed.outcome) continue;
      const step = this.nextStep(reed);
      const key = [reed.lot, reed.tied_on, reed.maker ?? "", step].join("|");
      if (!found.has(key)) {
        found.set(key, { key, step, lot: reed.lot, maker: reed.maker ?? "", tied_on: reed.tied_on,
                         reeds: [], ready: "", late: true });
      }
      const batch = found.get(key);
      batch.reeds.push(reed.reed);
      const ready = dayAfter(reed.since, this.bench.rests[step] ?? 0);
      batch.ready = ready > batch.ready ? ready : batch.ready;
      batch.late = batch.late && Boolean(reed.late);
    }
    const turn = (batch) => [batch.late ? 1 : 0, this.bench.steps.indexOf(batch.step),
                             batch.ready > today ? 1 : 0, batch.tied_on, batch.lot].join(" ");
    return [...found.values()].sort((one, other) => (turn(one) < turn(other) ? -1 : 1));
  }

  // The first of so many places in the drying board that no blank in progress has.
  freePlace(count) {
    const taken = [...this.reeds.values()].filter((reed) => !reed.outcome)
      .map((reed) => Number(reed.place)).filter((place) => place > 0);
    const free = (from) => taken.every((place) => !(place >= from && place < from + count));
    return [1, ...taken.map((place) => place + 1)].filter(free).sort((one, other) => one - other)[0];
  }

  // The highest number among the labels that begin like this.
  highest(head) {
    const numbers = [...this.reeds.keys()].filter((label) => label.startsWith(head))
      .map((label) => Number(label.slice(head.length))).filter(Number.isInteger);
    return Math.max(this.bench.labels[head] ?? 0, ...numbers);
  }
}

// Count on from a label: A9, A10, A11.
function countedOn(first, count) {
  const [, head, digits] = /^(.*?)(\d*)$/.exec(first);
  const start = digits ? Number(digits) : 1;
  return Array.from({ length: count }, (_, at) =>
    head + String(start + at).padStart(digits.startsWith("0") ? digits.length : 0, "0"));
}

function two(number) {
  return String(number).padStart(2, "0");
}

function dayOf(date) {
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
}

function momentOf(date) {
  return `${dayOf(date)} ${[date.getHours(), date.getMinutes(), date.getSeconds()].map(two).join(":")}`;
}

function dayAfter(day, days) {
  const [year, month, date] = day.split("-").map(Number);
  return dayOf(new Date(year, month - 1, date + Math.ceil(days)));
}

function shortDay(day) {
  const [year, month, date] = day.split("-").map(Number);
  return new Date(year, month - 1, date)
    .toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" });
}

// Labels in short: A1 to A4, A6.
function runs(labels) {
  const found = [];
  for (const label of labels) {
    const run = found.at(-1);
    if (run && countedOn(run.at(-1), 2)[1] === label) run.push(label);
    else found.push([label]);
  }
  const some = found.slice(0, 3).map(span);
  return some.join(", ") + (found.length > 3 ? " …" : "");
}

function span(labels) {
  return labels.length > 1 ? `${labels[0]} to ${labels.at(-1)}` : labels[0];
}
