// What JupyterLab loads beside itself: it runs the start notebook and shows nothing but its forms.
(() => {
  "use strict";
  const STYLE = `
    .jp-Cell-inputWrapper, .jp-Notebook-footer, .jp-NotebookPanel-toolbar, .jp-OutputPrompt, .jp-Collapser,
    .jp-OutputArea-promptOverlay, .jp-cell-toolbar, .jp-DirListing { display: none !important; }
    .jp-Notebook { padding: 0 1rem 4rem !important; }
    .jp-OutputArea-output { overflow: visible !important; }
    .reedlab { max-width: 62rem; margin: 0 auto; font-size: 16px; line-height: 1.5; }
    .reedlab h1 { font-size: 1.6rem; margin: .6rem 0 0; }
    .reedlab h2 { font-size: 1.2rem; margin: .8rem 0 .2rem; }
    .reedlab p, .reedlab li { white-space: normal; max-width: 60rem; }
    .reedlab table { border-collapse: collapse; margin: .5rem 0; }
    .reedlab th, .reedlab td { padding: .15rem .9rem .15rem 0; text-align: left; vertical-align: top;
      border-bottom: 1px solid var(--jp-border-color2); white-space: normal; }
    .reedlab .jupyter-button { height: 2.6rem; min-width: 8.5rem; width: auto; font-size: 1rem;
      padding: 0 1rem; line-height: 2.6rem; }
    .reedlab .widget-html-content { overflow: visible; line-height: 1.5; font-size: 1rem; }
    .reedlab .jupyter-widgets.widget-inline-hbox .widget-label { width: auto; min-width: 11rem;
      font-size: 1rem; text-align: left; }
    .reedlab .widget-text input, .reedlab .widget-dropdown select { height: 2.4rem;
      font-size: 1rem; }
    .reedlab .widget-text, .reedlab .widget-dropdown { height: auto; }
    .reedlab .widget-box { overflow: visible; }
    .reedlab .jupyter-widgets { max-width: calc(100% - 4px); }
    .reedlab .widget-inline-hbox { flex-wrap: wrap; height: auto; }
    .reedlab .widget-inline-hbox .widget-label, .reedlab .widget-label-basic { white-space: normal;
      height: auto; overflow: visible; line-height: 1.4; }
    .reedlab .widget-inline-hbox input, .reedlab .widget-inline-hbox select { min-width: 6rem; }
    .reedlab .widget-label-basic { font-size: 1rem; }
    .reedlab .widget-checkbox, .reedlab .widget-checkbox .widget-label-basic { flex-wrap: nowrap; }
    .reedlab .widget-checkbox input { min-width: 1.2rem; }
    .reedlab textarea { box-sizing: border-box; max-width: 100%; }
    .reedlab .progress { border: 1px solid var(--jp-border-color1); height: 1rem; }
    .reedlab .reedlab-asked { flex-flow: column; align-items: stretch; margin-top: .6rem; }
    .reedlab .reedlab-asked select, .reedlab .reedlab-asked textarea { flex: none; }
    .reedlab .reedlab-asked .widget-label { text-align: left; max-width: 100%; }
    .reedlab pre { white-space: pre-wrap; overflow-wrap: anywhere; word-break: normal; }
    .jp-OutputArea-output.jp-RenderedHTMLCommon, .jp-OutputArea-child { max-width: 100%; }
  `;
  const seen = new WeakSet();

  async function runOnce(app) {
    const panel = app.shell.currentWidget;
    if (!panel || !panel.sessionContext || !panel.content || seen.has(panel)) return;
    seen.add(panel);
    await panel.context.ready;
    await panel.sessionContext.ready;
    await panel.revealed;
    await app.commands.execute("notebook:run-all-cells");
    await panel.context.save();
  }

  function enterMovesDown(event) {
    if (event.key !== "Enter" || !event.target.closest(".reedlab-keys")) return;
    const cells = [...document.querySelectorAll(".reedlab-keys input")];
    const next = cells[cells.indexOf(event.target) + 1];
    event.target.dispatchEvent(new Event("change", { bubbles: true }));
    if (next) { next.focus(); next.select(); }
    event.preventDefault();
    event.stopPropagation();
  }

  function activate(app) {
    const style = document.createElement("style");
    style.textContent = STYLE;
    document.head.append(style);
    document.addEventListener("keydown", enterMovesDown, true);
    app.restored.then(async () => {
      const shell = app.shell;
      shell.mode = "single-document";
      shell.collapseLeft();
      shell.collapseRight();
      for (const area of ["menu", "top", "bottom"]) {
        for (const widget of shell.widgets(area)) {
          let bar = widget.parent;
          while (bar && bar.parent && bar.parent !== shell) bar = bar.parent;
          (bar || widget).hide();
        }
      }
      for (const side of ["left", "right"]) {
        if (shell.isSideTabBarVisible(side)) shell.toggleSideTabBarVisibility(side);
      }
      shell.currentChanged.connect(() => runOnce(app));
      await runOnce(app);
    });
  }

  window._JUPYTERLAB = window._JUPYTERLAB || {};
  window._JUPYTERLAB["reedlab-start"] = {
    init: () => undefined,
    get: () => Promise.resolve(() => ({
      __esModule: true,
      default: { id: "reedlab-start:forms", autoStart: true, activate },
    })),
  };
})();
