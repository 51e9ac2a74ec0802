// One stopwatch, kept as the moment it was started, so that a reload or a closed page does not stop it.

const LONGEST_MIN = 240; // one that ran longer was probably forgotten

function elapsed(timer) {
  return Math.max(0, Date.now() - timer.started);
}

function clockFace(timer) {
  const seconds = Math.floor(elapsed(timer) / 1000);
  const hours = Math.floor(seconds / 3600);
  const rest = `${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
  return hours ? `${hours}:${rest}` : rest;
}

function minutesOf(timer) {
  return Math.min(1440, Math.max(1, Math.round(elapsed(timer) / 60_000)));
}
