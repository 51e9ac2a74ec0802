// What leaves the phone: one CSV of the bench's own columns, by share sheet, as a file or as text.

function asCsv(bench, log, device) {
  const rows = log.flatMap((action) => action.rows.map((row, at) => ({
    entry: `${device}-${action.n + at}`, noted_at: action.at, ...row.cells,
  })));
  const columns = bench.columns.filter((name) => rows.some((row) => row[name]));
  const lines = [columns, ...rows.map((row) => columns.map((name) => row[name] ?? ""))];
  return lines.map((line) => line.map(quoted).join(",")).join("\n") + "\n";
}

function quoted(cell) {
  const text = String(cell);
  return /[",\n\r]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function asFile(text, name) {
  return new File(["\ufeff", text], name, { type: "text/csv" });
}

function canShare(file) {
  try {
    return Boolean(navigator.canShare?.({ files: [file] }));
  } catch {
    return false;
  }
}

function download(file) {
  const address = URL.createObjectURL(file);
  const link = make("a", { href: address, download: file.name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}

// Copy from a text area; without the newer way the older one, which a preview may still allow.
async function copied(area) {
  try {
    await navigator.clipboard.writeText(area.value);
    return true;
  } catch {
    area.focus();
    area.select();
    return document.execCommand("copy");
  }
}
