// Begin: see whether entries can be kept, then open with what is in progress.

async function begin() {
  await keeping.open();
  progress.rebuild(keeping.log, code());
  if (device()) go(start);
  else go(keeping.lasting ? chooseLetter : cannotKeep);
}

keeping.onRestored = () => show(current);

// Another page may have added entries while this one was out of sight.
async function lookAgain() {
  const known = keeping.log.length;
  await keeping.refresh();
  if (keeping.log.length === known) return;
  progress.rebuild(keeping.log, code());
  go(device() ? start : chooseLetter);
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) oneAtATime(lookAgain);
});

window.addEventListener("popstate", () => {
  away = false;
  if (device()) go(start);
});

// A browser may ask before it closes a page whose entries are nowhere else.
window.addEventListener("beforeunload", (event) => {
  if (!keeping.lasting && unsent()) event.preventDefault();
});

setInterval(() => {
  const clock = document.getElementById("clock");
  if (clock && keeping.notes.timer) clock.textContent = clockFace(keeping.notes.timer);
}, 1000);

if (bench.hosted) navigator.serviceWorker?.register("worker.js").catch(() => {});
document.body.append(spoken);
oneAtATime(begin);
