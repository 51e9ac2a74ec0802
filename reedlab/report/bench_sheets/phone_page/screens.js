// The screens. Each is a function that returns its title and elements; `show` puts it up.

const bench = JSON.parse(document.getElementById("bench").textContent);
const keeping = new Keeping(`reedlab-${bench.id}`);
const progress = new Progress(bench);

const DONE = { tie: "tied", rough: "roughed", finish: "finished" };
const TIE = "tie"; // the key of the minutes of a batch that has no labels yet
const LATELY = 20; // actions that can be taken back one by one
const LOTS_SHOWN = 8; // the others are folded
const spoken = make("p", { role: "status", class: "spoken" });
let current = start;
let away = false;
let said = "";

function show(screen) {
  const stays = screen === current;
  const held = document.activeElement?.id;
  current = screen;
  const { title, left = [], right = [], body = [], thumb = [], hint = "" } = screen();
  const heading = make("h1", { id: "title", tabindex: "-1" }, title);
  document.getElementById("screen").replaceChildren(
    ...(keeping.lasting || screen === cannotKeep ? [] : [notKept()]),
    make("div", { class: "top" }, ...left, heading, ...right),
    ...body,
    make("div", { class: "thumb" }, make("p", { class: "said" }, said || hint), ...thumb),
  );
  const again = stays && held ? document.getElementById(held) : null;
  (again ?? heading).focus({ preventScroll: true });
  if (!stays) window.scrollTo(0, 0);
}

// Is a finger down? From its press to its click a redraw would take the button from under it.
let pressed = false;
for (const [kind, down] of [["pointerdown", true], ["pointercancel", false], ["click", false]]) {
  addEventListener(kind, () => { pressed = down; }, true);
}

// Show a screen again after a field was left, be it by a tap on a button.
function showAfterTap(screen) {
  const again = () => { if (current === screen) show(screen); };
  if (pressed) addEventListener("click", () => setTimeout(again), { capture: true, once: true });
  else again();
}

function say(words) {
  said = words;
  spoken.textContent = words;
}

// The phone's own way back leads to the first screen, not out of the page.
function go(screen, words = "") {
  if (screen !== start && !away) {
    away = true;
    try {
      history.pushState(null, "");
    } catch {
      // A frame or an old preview may not allow it; BACK on the screen still does it.
    }
  }
  say(words);
  show(screen);
}

function today() {
  return dayOf(new Date());
}

function device() {
  return keeping.notes.device;
}

function code() {
  return device()?.code ?? "";
}

// Note what one tap says: rows for the bench's tables.
async function noted(rows, says, draft = undefined) {
  const known = keeping.log.length;
  const action = await keeping.append(
    { at: momentOf(new Date()), says, rows, before: progress.before(rows), draft });
  if (keeping.log.length === known + 1) progress.apply(action);
  else progress.rebuild(keeping.log, code()); // another page has added entries too
  say(says);
}

async function takenBack(action) {
  const rows = action.rows.map((row, at) => (
    { table: row.table, cells: { undoes: `${code()}-${action.n + at}` } }));
  await keeping.append({ at: momentOf(new Date()), says: "", rows, before: [], undoes: action.n });
  progress.rebuild(keeping.log, code());
  if (action.draft) { // what was marked and timed before the step was noted comes back with it
    const { key, marks, minutes } = action.draft;
    await keeping.note("marks", { ...keeping.notes.marks, [key]: marks });
    await setMinutes(key, minutes);
  }
  say(`Taken back: ${action.says}`);
}

function rowsOf(log) {
  return log.reduce((sum, action) => sum + action.rows.length, 0);
}

function without(object, key) {
  return Object.fromEntries(Object.entries(object ?? {}).filter(([name]) => name !== key));
}

// Actions that count, the last first, at most so many.
function lately(most) {
  const undone = new Set(keeping.log.map((action) => action.undoes));
  const found = [];
  for (let at = keeping.log.length - 1; at >= 0 && found.length < most; at -= 1) {
    const action = keeping.log[at];
    if (!action.undoes && !undone.has(action.n)) found.push(action);
  }
  return found;
}

function unsent() {
  const from = keeping.notes.sent ?? 1;
  let count = 0;
  for (const action of keeping.log) {
    action.rows.forEach((_, at) => {
      if (action.n + at >= from && !progress.inBench(action.n + at, code())) count += 1;
    });
  }
  return count;
}

function back(screen = start) {
  return button("BACK", () => go(screen), { id: "back" });
}

function undoButton(then = () => show(current)) {
  const [last] = lately(1);
  return button("UNDO", async () => {
    await takenBack(last);
    then(last);
  }, { id: "undo", disabled: last ? false : "", "aria-label": last ? `Undo: ${last.says}` : "Undo" });
}

// ---- when entries cannot be kept ----

function cannotKeep() {
  return {
    title: "This page cannot keep entries here.",
    body: [
      make("p", { class: "large" }, "Save the file on this phone and open it in your browser, not in a "
        + "preview or a private window."),
      make("p", {}, "You can go on here, but then copy the entries as text before you close the page."),
    ],
    thumb: [
      button("TRY AGAIN", begin, { id: "again" }),
      button("GO ON WITHOUT KEEPING", () => go(chooseLetter), { id: "anyway" }),
    ],
  };
}

function notKept() {
  return make("div", { class: "warning" },
    make("p", {}, `NOT KEPT: ${unsent()} entries are on this screen only. Copy them before you close it.`),
    button("COPY AS TEXT", () => go(send), { id: "rescue" }));
}

// ---- the first time ----

function chooseLetter() {
  return {
    title: "Which phone is this?",
    body: [
      make("p", {}, "Choose a letter that no other phone of yours has. It begins the labels of reeds that "
        + "you tie here."),
      make("p", { class: "soft" }, "No entries of this bench are kept here. If an older page still has some, "
        + "open that page and send them. If you noted some on this page, the browser has cleared them."),
    ],
    thumb: [make("div", { class: "three" }, ...bench.letters.map((letter) => button(letter, async () => {
      // Two phones with one letter by mistake still differ in the rest of the code, and its end says
      // of which bench they are.
      const rest = Math.floor(Math.random() * 36 ** 5).toString(36).padStart(5, "0");
      await keeping.note("device", { letter, code: letter + rest + bench.id.slice(0, 6) });
      // Without storage the next visit would begin with the same labels: begin somewhere else.
      if (!keeping.lasting) {
        await keeping.note("highest", { [letter]: 100 * Math.floor(100 + 900 * Math.random()) });
      }
      progress.rebuild(keeping.log, code());
      navigator.storage?.persist?.().catch(() => {});
      go(start, `This is phone ${letter}.`);
    }, { id: `letter-${letter}`, class: "main" })))],
  };
}

// ---- the first screen: what is in progress ----

function start() {
  const count = unsent();
  const found = progress.batches(today());
  const late = found.filter((batch) => batch.late);
  return {
    title: count ? `${count} not sent` : keeping.log.length ? "All sent" : "At the bench",
    right: [undoButton(), button("SEND", () => go(send), { id: "send" })],
    body: [
      keeping.notes.restored
        ? make("p", { class: "warning" }, "The browser cleared its storage. What was on this screen is kept "
          + "again: send it.")
        : null,
      count && keeping.lasting
        ? make("p", { class: "soft" }, "Kept in this browser only. A private window forgets them when it closes.")
        : null,
      timerRow(),
      list(found.filter((batch) => !batch.late)),
      late.length
        ? make("details", {}, make("summary", {}, `${late.length} older, not judged`), list(late))
        : null,
      found.length ? null : make("p", {}, "Nothing is in progress. Tie a batch."),
      make("p", { class: "soft" }, `Phone ${device().letter} · ${bench.name} as of ${shortDay(bench.made_on)}. `
        + bench.caution),
    ].filter(Boolean),
    thumb: [button("TIE A BATCH", () => go(tie()), { id: "tie", class: "main" })],
  };
}

function list(found) {
  return make("ul", { class: "batches" }, ...found.map((batch) => {
    const { key, step, lot, reeds, ready } = batch;
    const more = [runs(reeds), placesOf(reeds)].filter(Boolean);
    if (keeping.notes.minutes?.[key]) more.push(`${keeping.notes.minutes[key]} min`);
    if (ready > today()) more.push(`rests until ${shortDay(ready)}`);
    return make("li", {}, button(
      [make("b", {}, step.toUpperCase()),
       make("span", {}, `${reeds.length} of ${lot}`, make("br"), more.join(" · "))],
      () => go(opened(batch)), { class: "batch" }));
  }));
}

// Where blanks are in the drying board: places 11 to 18.
function placesOf(reeds) {
  const places = reeds.map((label) => progress.reeds.get(label)?.place).filter(Boolean).map(String);
  return places.length ? `place${places.length > 1 ? "s" : ""} ${runs(places)}` : "";
}

// ---- tie a batch ----

function tie() {
  const makers = bench.makers;
  // Labels count on from this phone's letter, or from what she wrote in its place.
  const head = keeping.notes.head ?? device().letter;
  const { timer } = keeping.notes;
  const proposed = head + (Math.max(progress.highest(head), keeping.notes.highest?.[head] ?? 0) + 1);
  const picked = {
    lot: timer?.key === TIE ? timer.lot : "", count: bench.batch, maker: keeping.notes.maker ?? makers[0] ?? "",
    first: "", place: "",
  };
  const lotButton = (lot) => button(lot, () => { picked.lot = lot; show(screen); },
    { id: `lot-${lot}`, "aria-pressed": `${picked.lot === lot}` });
  const counted = (by) => () => {
    picked.count = Math.min(50, Math.max(1, picked.count + by));
    show(screen);
  };
  const typed = (says, id, value, change) => {
    const field = make("input", { id, value, maxlength: "20", autocomplete: "off", enterkeyhint: "done" });
    field.addEventListener("input", () => change(field.value.trim()));
    field.addEventListener("change", () => showAfterTap(screen));
    return make("label", { for: id }, says, field);
  };
  // Places are asked for as long as she uses them.
  const inBoard = () => keeping.notes.places ?? false;
  const firstPlace = () => picked.place || `${progress.freePlace(picked.count)}`;
  const reeds = () => countedOn(picked.first || proposed, picked.count).map((reed, at) => (
    { reed, ...(inBoard() ? { place: countedOn(firstPlace(), at + 1).at(-1) } : {}) }));
  const screen = () => {
    const labels = reeds().map((one) => one.reed);
    const shown = bench.lots.slice(0, LOTS_SHOWN);
    const taken = labels.filter((label) => progress.reeds.has(label));
    return {
      title: "Tie a batch",
      left: [back()],
      body: [
        make("h2", {}, "Lot"),
        make("div", { class: "grid" }, ...shown.map(lotButton)),
        make("details", { open: shown.includes(picked.lot) || (!picked.lot && shown.length) ? false : "" },
          make("summary", {}, "Another lot"),
          make("div", { class: "grid" }, ...bench.lots.slice(LOTS_SHOWN).map(lotButton)),
          typed("new", "new-lot", bench.lots.includes(picked.lot) ? "" : picked.lot, (lot) => { picked.lot = lot; })),
        makers.length > 1 ? make("h2", {}, "By") : null,
        makers.length > 1 ? make("div", { class: "grid" }, ...makers.map((maker) => button(maker, async () => {
          picked.maker = maker;
          await keeping.note("maker", maker);
          show(screen);
        }, { id: `maker-${maker}`, "aria-pressed": `${picked.maker === maker}` }))) : null,
        make("h2", {}, "How many, and the first label"),
        make("div", { class: "row tight" },
          button("−", counted(-1), { id: "fewer", "aria-label": "One fewer" }),
          make("output", { class: "large" }, `${picked.count}`),
          button("+", counted(1), { id: "more", "aria-label": "One more" }),
          typed("from", "first", picked.first || proposed, (first) => { picked.first = first; })),
        make("p", { class: "soft" }, taken.length ? `${taken[0]} is a label already: choose another.` : `Labels ${span(labels)}.`),
        minutesRow({ key: TIE, step: "tie", lot: picked.lot, maker: picked.maker, reeds: labels }, screen),
        make("div", { class: "row tight" },
          button("IN THE BOARD", async () => { await keeping.note("places", !inBoard()); show(screen); },
            { id: "places", "aria-pressed": `${inBoard()}` }),
          inBoard() ? typed("from", "first-place", firstPlace(), (place) => { picked.place = place; }) : null),
        inBoard() ? make("p", { class: "soft" }, `Places ${span(reeds().map((one) => one.place))}.`) : null,
      ].filter(Boolean),
      thumb: [button(picked.lot ? `TIED ${picked.count} OF ${picked.lot}` : "Choose the lot", async () => {
        const shared = { lot: picked.lot, ...(picked.maker ? { maker: picked.maker } : {}), tied_on: today() };
        const rows = reeds().map((one) => ({ table: "reeds", cells: { ...one, ...shared } }));
        const tied = rows.map((row) => row.cells.reed);
        if (tied.some((label) => progress.reeds.has(label))) { // written after the screen was drawn
          show(screen);
          return;
        }
        await keeping.note("head", /^\D*/.exec(tied[0])[0]);
        if (keeping.notes.timer?.key === TIE) await stopTimer();
        const minutes = keeping.notes.minutes?.[TIE] ?? 0;
        if (minutes) rows.push(sitting({ maker: picked.maker, step: "tie" }, tied, minutes));
        const says = [`${picked.count} of ${picked.lot} tied: ${span(tied)}`];
        await noted(rows, `${[...says, ...(minutes ? [`${minutes} min`] : [])].join(", ")}.`,
          { key: TIE, minutes });
        await keeping.note("minutes", without(keeping.notes.minutes, TIE));
        show(start);
      }, { id: "tied", class: "main", disabled: picked.lot && !taken.length ? false : "" })],
    };
  };
  return screen;
}

// ---- a batch: rough, finish, play ----

function opened(batch, step = batch.step) {
  const shared = { ...batch, step, key: [batch.lot, batch.tied_on, batch.maker, step].join("|") };
  return step === bench.steps.at(-1) ? play(shared) : work(shared);
}

function stepTabs(batch) {
  return make("div", { class: "three" }, ...bench.steps.map((step) => button(step.toUpperCase(),
    () => go(opened(batch, step)), { id: `step-${step}`, "aria-pressed": `${batch.step === step}` })));
}

function work(batch) {
  const { key, step } = batch;
  let asks = ""; // the blank whose fault may be named
  let oneBlank = false;
  const marks = () => keeping.notes.marks?.[key] ?? {};
  const mark = (label, change) => keeping.note("marks",
    { ...keeping.notes.marks, [key]: { ...marks(), [label]: { ...marks()[label], ...change } } });
  const tapped = async (label) => {
    if (oneBlank) {
      oneBlank = false;
      await startTimer(batch, label);
      go(screen, `Timing ${label}.`);
      return;
    }
    const state = { undefined: "lost", "": "lost", lost: "later", later: "" }[marks()[label]?.state];
    await mark(label, { state, fault: "" });
    asks = state === "lost" ? label : "";
    go(screen);
  };
  const says = { lost: "lost", later: "not today" };
  const blank = (label) => {
    const { state = "", fault = "" } = marks()[label] ?? {};
    const timed = progress.timed.get(`${label}|${step}`);
    const place = placesOf([label]);
    const below = [says[state] ?? "", fault, timed ? `${timed} min` : "", place].filter(Boolean).join(", ");
    return button([label, make("small", {}, below)], () => tapped(label),
      { id: `reed-${label}`, ...(state ? { class: state } : {}), "aria-label": `${label}${below ? `: ${below}` : ""}` });
  };
  const screen = () => {
    const lost = batch.reeds.filter((label) => marks()[label]?.state === "lost");
    const well = batch.reeds.filter((label) => !marks()[label]?.state);
    const all = well.length === batch.reeds.length;
    return {
      title: `${batch.reeds.length} of ${batch.lot}`,
      hint: "Tap: lost. Tap again: not today.",
      left: [back()],
      right: [undoButton(() => show(start))],
      body: [
        stepTabs(batch),
        make("div", { class: "grid" }, ...batch.reeds.map(blank)),
        asks ? make("h2", {}, `${asks}: what was wrong? You may leave it open.`) : null,
        asks ? faultButtons(async (fault) => {
          await mark(asks, { fault });
          asks = "";
          go(screen);
        }) : null,
        minutesRow(batch, screen, () => { oneBlank = true; go(screen, "Tap the blank that you time."); }),
        triedButton(batch, screen),
      ].filter(Boolean),
      thumb: [button(
        !well.length ? `${lost.length} ARE LOST` : `${all ? `ALL ${well.length}` : `THE REST (${well.length})`} ARE ${DONE[step].toUpperCase()}`,
        async () => {
          await stepDone(batch, well, lost, marks());
          show(start);
        }, { id: "done", class: "main", disabled: well.length + lost.length ? false : "" })],
    };
  };
  return screen;
}

async function stepDone(batch, well, lost, marks) {
  const { key, step } = batch;
  if (keeping.notes.timer?.key === key) await stopTimer();
  const done = { [bench.done_on[step]]: today() };
  const rows = batch.reeds.filter((label) => well.includes(label) || lost.includes(label)).map((reed) => {
    if (well.includes(reed)) return { table: "reeds", cells: { reed, ...done } };
    const fault = marks[reed]?.fault ? { fault: marks[reed].fault } : {};
    return { table: "reeds", cells: { reed, ...done, ...bench.lost[step], ...fault, judged_on: today() } };
  });
  const minutes = keeping.notes.minutes?.[key] ?? 0;
  const together = rows.map((row) => row.cells.reed).filter((label) => !progress.timed.has(`${label}|${step}`));
  if (minutes && together.length) rows.push(sitting(batch, together, minutes));
  const says = [well.length ? `${well.length} of ${batch.lot} ${DONE[step]}` : batch.lot];
  if (lost.length) says.push(`${lost.length} lost`);
  if (minutes) says.push(`${minutes} min`);
  await noted(rows, `${says.join(", ")}.`, { key, marks, minutes });
  await keeping.note("marks", without(keeping.notes.marks, key));
  await keeping.note("minutes", without(keeping.notes.minutes, key));
}

// One row for all of a batch's minutes; a single label ends in ";", or it would be read as a count.
function sitting({ maker, step }, reeds, minutes) {
  const labels = reeds.length > 1 ? reeds.join("; ") : `${reeds[0]};`;
  const who = maker ? { maker } : {};
  return { table: "sittings", cells: { date: today(), ...who, stage: step, reeds: labels, minutes: `${minutes}` } };
}

function faultButtons(chosen) {
  return make("div", { class: "two" }, ...bench.faults.map((fault) =>
    button(fault, () => chosen(fault), { id: `fault-${fault}` })));
}

// ---- minutes ----

function setMinutes(key, minutes) {
  return keeping.note("minutes", { ...keeping.notes.minutes, [key]: Math.min(1440, Math.max(0, minutes)) });
}

async function startTimer({ key, step, lot, maker, reeds }, one = "") {
  await stopTimer();
  await keeping.note("timer", { started: Date.now(), key, step, lot, maker, count: reeds.length, one });
}

// Stop the stopwatch: a batch's minutes wait for its step, a single blank's are noted at once.
async function stopTimer() {
  const { timer } = keeping.notes;
  if (!timer) return;
  const minutes = minutesOf(timer);
  await keeping.note("timer", null);
  if (timer.one) {
    await noted([sitting(timer, [timer.one], minutes)], `${timer.one}: ${minutes} min.`);
  } else {
    await setMinutes(timer.key, minutes + (keeping.notes.minutes?.[timer.key] ?? 0));
    say(`${minutes} min.`);
  }
  if (minutes > LONGEST_MIN) say(`The stopwatch ran for ${minutes} min: correct it, if you forgot it.`);
}

function timerRow() {
  const { timer } = keeping.notes;
  if (!timer) return null;
  const of = timer.one || (timer.lot ? `${timer.count} of ${timer.lot}` : "a batch");
  return make("div", { class: "row" },
    make("span", { class: "timer" }, make("span", { id: "clock" }, clockFace(timer)), ` ${timer.step}, ${of}`),
    button("STOP", async () => { await stopTimer(); show(current); }, { id: "stop" }));
}

function minutesRow(batch, screen, chooseBlank) {
  const { key } = batch;
  const running = keeping.notes.timer?.key === key;
  const minutes = () => keeping.notes.minutes?.[key] ?? 0;
  const field = make("input", { id: "minutes", class: "short", inputmode: "numeric", value: `${minutes()}`,
    "aria-label": "Minutes of the batch" });
  field.addEventListener("input", () => setMinutes(key, Math.round(Number(field.value.replace(",", "."))) || 0));
  field.addEventListener("change", () => showAfterTap(screen));
  const by = (more) => async () => { await setMinutes(key, minutes() + more); go(screen); };
  if (running) return timerRow();
  return make("div", { class: "minutes" },
    make("div", { class: "row" },
      button("STOPWATCH", async () => { await startTimer(batch); go(screen); }, { id: "start-timer" }),
      chooseBlank && button("ONE BLANK", chooseBlank, { id: "one-blank", "aria-label": "Stopwatch for one blank" })),
    make("div", { class: "row" },
      button("−", by(-5), { id: "less-time", "aria-label": "Five minutes less" }),
      make("label", { for: "minutes" }, field, "min"),
      button("+", by(5), { id: "more-time", "aria-label": "Five minutes more" })));
}

// ---- what is tried on a blank before it is judged, and its place; all of it may stay open ----

function triedButton(batch, before, reed, settled = (then) => then) {
  return button(`${Object.keys(bench.tried).join(", ")}, place`.toUpperCase(),
    settled(() => go(tried(batch, before, reed))), { id: "tried" });
}

function tried(batch, before, reed = batch.reeds[0]) {
  const known = () => progress.reeds.get(reed) ?? {};
  const noting = (column, word) => noted([{ table: "reeds", cells: { reed, [column]: word } }],
    `${reed}: ${column} ${word}.`);
  let written = ""; // a place that is still in its field
  const settled = (then) => async () => {
    const place = written;
    written = "";
    if (place) await noting("place", place);
    await then();
  };
  const choice = (column) => make("div", { role: "group", "aria-label": column, class: "tried" },
    make("span", {}, column), ...bench.tried[column].map((word) => button(word, settled(async () => {
      await noting(column, word);
      show(screen);
    }), { id: `${column}-${word}`, "aria-pressed": `${known()[column] === word}` })));
  const place = () => {
    const field = make("input", { id: "place", maxlength: "20", autocomplete: "off", enterkeyhint: "done",
      value: known().place ?? "" });
    field.addEventListener("input", () => { written = field.value.trim(); });
    field.addEventListener("change", () => { if (!pressed) oneAtATime(settled(() => show(screen))); });
    return make("label", { for: "place" }, "place", field);
  };
  const screen = () => ({
    title: batch.lot,
    left: [button("BACK", settled(() => go(before)), { id: "back" })],
    right: [undoButton()],
    body: [
      make("div", { class: "grid" }, ...batch.reeds.map((label) => {
        const its = progress.reeds.get(label) ?? {};
        const below = Object.keys(bench.tried).map((column) => its[column]).filter(Boolean).join(", ");
        return button([label, make("small", {}, below)], settled(() => { reed = label; go(screen); }),
          { id: `reed-${label}`, "aria-current": `${label === reed}` });
      })),
      make("p", { class: "which" }, reed),
      ...Object.keys(bench.tried).map(choice),
      place(),
    ],
    thumb: [button("THE NEXT REED", settled(() => {
      reed = batch.reeds[(batch.reeds.indexOf(reed) + 1) % batch.reeds.length];
      go(screen);
    }), { id: "next", class: "main" })],
  });
  return screen;
}

// ---- play: one reed at a time ----

function play(batch) {
  let reed = batch.reeds[0];
  let asks = "verdict";
  let written = ""; // a note that is still in its field
  const withNote = (then) => async () => {
    const note = written;
    written = "";
    if (note) await noted([{ table: "reeds", cells: { reed, note } }], `${reed}: ${note}`);
    await then();
  };
  const left = () => batch.reeds.filter((label) => !progress.reeds.get(label)?.outcome);
  const following = () => {
    const at = batch.reeds.indexOf(reed);
    const open = left();
    reed = open.find((label) => batch.reeds.indexOf(label) > at) ?? open[0];
    asks = "verdict";
    show(reed ? screen : start);
  };
  const judged = (word) => withNote(async () => {
    await noted([{ table: "reeds", cells: { reed, ...bench.endings[word], judged_on: today() } }],
      `${reed}: ${word}.`);
    asks = word === "no" ? "fault" : "strength";
    show(screen);
  });
  const more = (column) => async (word) => {
    await noted([{ table: "reeds", cells: { reed, [column]: word } }], `${reed}: ${inWords(word)}.`);
    following();
  };
  const undone = (action) => {
    const label = action.rows[0].cells.reed;
    if (!batch.reeds.includes(label) || progress.nextStep(progress.reeds.get(label)) !== batch.step) {
      show(start);
      return;
    }
    reed = label;
    const outcome = progress.reeds.get(label).outcome;
    asks = !outcome ? "verdict" : outcome === bench.endings.no.outcome ? "fault" : "strength";
    show(screen);
  };
  const open = () => button("LEAVE IT OPEN", () => { say(""); following(); }, { id: "open" });
  const questions = {
    verdict: () => [make("div", { class: "three" }, ...Object.keys(bench.endings).map((word) =>
      button(word.toUpperCase(), judged(word), { id: `verdict-${word}`, class: "main" })))],
    strength: () => [make("div", { class: "two" }, ...bench.strengths.map((word) =>
      button(inWords(word), () => more("strength")(word), { id: `strength-${word}` })), open())],
    fault: () => [faultButtons(more("fault")), open()],
  };
  const noteRow = () => {
    const field = make("input", { id: "note", maxlength: "200", autocomplete: "off", enterkeyhint: "done",
      value: progress.reeds.get(reed)?.note ?? "" });
    field.addEventListener("input", () => { written = field.value.trim(); });
    return make("details", {}, make("summary", {}, "A note"),
      make("label", { for: "note" }, "note", field),
      button("KEEP THE NOTE", withNote(() => show(screen)), { id: "keep-note" }));
  };
  const screen = () => ({
    title: asks === "verdict" ? `${left().length} of ${batch.lot}` : batch.lot,
    left: [button("BACK", withNote(() => go(start)), { id: "back" })],
    right: [undoButton(undone)],
    body: asks === "verdict"
      ? [
        stepTabs({ ...batch, reeds: left() }),
        make("div", { class: "grid" }, ...left().map((label) => button(label,
          withNote(() => { reed = label; go(screen); }),
          { id: `reed-${label}`, "aria-current": `${label === reed}` }))),
        noteRow(),
        triedButton({ ...batch, reeds: left() }, screen, reed, withNote),
        make("p", { class: "which" }, reed),
      ]
      : [make("p", { class: "which" }, reed),
         make("h2", {}, asks === "fault" ? "What is wrong?" : "How hard does it blow?")],
    thumb: questions[asks](),
  });
  return screen;
}

function inWords(word) {
  return word.replaceAll("_", " ");
}

// ---- send, look back, clear ----

function send() {
  const rows = rowsOf(keeping.log);
  if (!rows) return { title: "Nothing to send yet", left: [back()] };
  const text = asCsv(bench, keeping.log, code());
  const file = asFile(text, `reeds-${code()}-${today()}.csv`);
  const area = make("textarea", { id: "text", readonly: "", rows: "3", "aria-label": "The entries as text" });
  area.value = text;
  const count = unsent();
  const after = (words) => go(arrived, words);
  return {
    title: count ? `${count} of ${rows} not sent` : `${rows}, all sent`,
    left: [back()],
    body: [
      make("p", {}, "Sends all entries that are here. Sending twice adds nothing."),
      make("p", { class: "soft" }, `On the computer: reedlab gather ${bench.name} FILE. For copied text: `
        + `reedlab gather ${bench.name} -`),
      area,
      button("WHAT WAS NOTED", () => go(lookBack), { id: "look-back" }),
      count < rows ? button(`CLEAR ${rows - count} SENT`, () => go(clearing), { id: "clear" }) : null,
    ].filter(Boolean),
    thumb: [
      canShare(file) ? button("SHARE", async () => {
        try {
          await navigator.share({ files: [file] });
          after("");
        } catch {
          go(send, "Not shared. Save a file or copy the text.");
        }
      }, { id: "share", class: "main" }) : null,
      button("SAVE A FILE", () => { download(file); after(""); }, { id: "save" }),
      button("COPY AS TEXT", async () => {
        if (await copied(area)) after("Copied. Paste it into a message to yourself.");
        else go(send, "The browser does not copy. Hold the text, select all of it and copy it.");
      }, { id: "copy" }),
    ].filter(Boolean),
  };
}

function arrived() {
  return {
    title: "Is it there?",
    left: [back(send)],
    body: [make("p", { class: "large" }, "Look for the file or the text where you sent it."),
           make("p", {}, "If nothing came, go back and send it another way. Nothing is lost here.")],
    thumb: [
      button("NOT YET", () => go(send), { id: "not-yet" }),
      button("YES, IT IS THERE", async () => {
        await keeping.note("sent", keeping.next());
        await keeping.note("restored", false);
        go(start, keeping.lasting ? "Sent. The entries stay here until you clear them." : "Sent.");
      }, { id: "yes", class: "main" }),
    ],
  };
}

function lookBack() {
  return {
    title: "What was noted",
    left: [back(send)],
    body: [make("ul", { class: "entries" }, ...lately(LATELY).map((action) => make("li", {},
      make("span", {}, `${whenWas(action.at)} ${action.says}`),
      button("TAKE BACK", async () => { await takenBack(action); show(lookBack); },
        { id: `back-${action.n}`, "aria-label": `Take back: ${action.says}` }))))],
  };
}

function whenWas(moment) {
  const [day, time] = moment.split(" ");
  return day === today() ? time.slice(0, 5) : `${shortDay(day)} ${time.slice(0, 5)}`;
}

function clearing() {
  const sent = keeping.log.filter((action) => action.n + action.rows.length <= firstUnsent());
  const missing = sent.filter((action) => !progress.inBench(action.n, code())).length;
  return {
    title: "Clear what was sent?",
    left: [back(send)],
    body: [make("p", { class: "large" }, missing
      ? "This page does not know yet that your computer has them. Gather first, and put a new page on the phone."
      : "Your computer has them."),
    missing ? make("p", {}, `Batches go back to where they were on ${shortDay(bench.made_on)}.`) : null].filter(Boolean),
    thumb: [button("CLEAR THEM", async () => {
      const head = keeping.notes.head ?? device().letter;
      const highest = Math.max(progress.highest(head), keeping.notes.highest?.[head] ?? 0);
      await keeping.note("highest", { ...keeping.notes.highest, [head]: highest });
      await keeping.clear(firstUnsent());
      progress.rebuild(keeping.log, code());
      go(start, "Cleared.");
    }, { id: "clear-them" })],
  };
}

// The number of the first entry that is neither sent nor in the bench.
function firstUnsent() {
  const from = keeping.notes.sent ?? 1;
  for (const action of keeping.log) {
    for (let number = action.n; number < action.n + action.rows.length; number += 1) {
      if (number >= from && !progress.inBench(number, code())) return action.n;
    }
  }
  return keeping.next();
}
