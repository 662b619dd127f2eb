// Draws plotly figures in the page's own colours. Without script, or if drawing fails, the table under each figure stands.
//
// <div class="figure-plot" data-figure="ID" data-filename="NAME" hidden> names a JSON script {data, layout, layout_narrow}.
// Any string in it that reads "var:NAME" or "var:NAME/OPACITY" stands for the style sheet's colour --NAME.

const NARROW_PX = 560;
const PRINT_WIDTH_PX = 680; // the text width of an A4 page
const DEFAULT_HEIGHT_PX = 460;
const FILE_WIDTH_PX = 1000;
const FILE_LINE_PX = 20;
const FILE_LINE_CHARACTERS = 120;
const DAYS_PER_MONTH = 365.25 / 12;

const CONFIG = { displayModeBar: false, displaylogo: false };
const COLOUR_TOKEN = /^var:([a-z][a-z0-9-]*)(?:\/(0|1|0?\.\d+))?$/;

const drawnWidths = new WeakMap();
const drawings = new WeakMap();
const paper = document.body.appendChild(Object.assign(document.createElement("span"), { className: "on-paper", hidden: true }));
const screenStyles = getComputedStyle(document.documentElement);
const paperStyles = getComputedStyle(paper);

const isMap = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

/** A copy of `base` with `over` laid on it: objects merge key by key, everything else (lists too) is replaced. */
function merged(base, over) {
  if (!isMap(base) || !isMap(over)) return over;
  const entries = Object.entries(over).map(([key, value]) => [key, merged(base[key], value)]);
  return { ...base, ...Object.fromEntries(entries) };
}

function rgba(token, styles) {
  const [, name, opacity = "1"] = token.match(COLOUR_TOKEN);
  const hex = styles.getPropertyValue(`--${name}`).trim();
  if (!/^#[0-9a-f]{6}$/i.test(hex)) {
    throw new Error(`Colour "${token}": --${name} is "${hex}", must be #rrggbb. Name a colour that the style sheet has.`);
  }
  const [red, green, blue] = [1, 3, 5].map((start) => parseInt(hex.slice(start, start + 2), 16));
  return opacity === "1" ? `rgb(${red}, ${green}, ${blue})` : `rgba(${red}, ${green}, ${blue}, ${opacity})`;
}

function coloured(value, styles) {
  if (Array.isArray(value)) return value.map((item) => coloured(item, styles));
  if (isMap(value)) return Object.fromEntries(Object.entries(value).map(([key, item]) => [key, coloured(item, styles)]));
  return typeof value === "string" && COLOUR_TOKEN.test(value) ? rgba(value, styles) : value;
}

/** What every figure shares unless its own layout says otherwise; axes keep still, so that zooming is a choice. */
function houseLayout() {
  const text = getComputedStyle(document.body);
  const font = { family: text.fontFamily, size: Math.round(parseFloat(text.fontSize) * 0.85), color: "var:ink" };
  const axis = {
    title: { font },
    gridcolor: "var:grid",
    linecolor: "var:ink-soft",
    tickcolor: "var:ink-soft",
    zeroline: false,
    fixedrange: true,
  };
  return {
    autosize: true,
    height: DEFAULT_HEIGHT_PX,
    dragmode: false,
    separators: ".\u202f",
    uirevision: "kept",
    template: {
      layout: {
        font,
        paper_bgcolor: "var:surface",
        plot_bgcolor: "var:surface",
        colorway: Array.from({ length: 8 }, (_, index) => `var:series-${index + 1}`),
        xaxis: { ...axis, showline: true },
        yaxis: axis,
        hoverlabel: { bgcolor: "var:surface", bordercolor: "var:ink-soft", font },
      },
    },
  };
}

function composed(plot, { narrow, styles, layout = {} }) {
  const figure = JSON.parse(document.getElementById(plot.dataset.figure).textContent);
  const data = figure.data.filter((trace) => !(narrow && trace.meta?.narrow === false));
  const layers = [houseLayout(), figure.layout, narrow ? figure.layout_narrow ?? {} : {}, layout];
  return coloured({ data, layout: layers.reduce(merged) }, styles);
}

/** One drawing of a figure at a time: plotly measures text while it draws, and two at once measure each other's. */
function draw(plot, options) {
  const drawing = (drawings.get(plot) ?? Promise.resolve()).then(() => drawNow(plot, options));
  drawings.set(plot, drawing.catch(() => {}));
  return drawing;
}

async function drawNow(plot, { styles = screenStyles, layout = {} } = {}) {
  plot.hidden = false;
  const width = layout.width ?? plot.clientWidth;
  if (!width) return; // not shown yet; the watch on its width draws it when it is
  try {
    const narrow = width < NARROW_PX;
    const figure = composed(plot, { narrow, styles, layout });
    drawnWidths.set(plot, plot.clientWidth);
    await Plotly.react(plot, figure.data, figure.layout, CONFIG);
  } catch (error) {
    plot.hidden = true;
    throw error;
  }
}

const drawAgain = (options) => document.querySelectorAll(".js-plotly-plot").forEach((plot) => draw(plot, options));

const widthWatch = new ResizeObserver((entries) => {
  for (const { target } of entries) {
    if (target.clientWidth && target.clientWidth !== drawnWidths.get(target)) draw(target);
  }
});

/** Breaks plain text into lines for plotly, which reads "<" and "&" as mark-up. */
function brokenIntoLines(text, characters) {
  const lines = [""];
  for (const word of text.trim().split(/\s+/)) {
    if (lines.at(-1).length + word.length > characters) lines.push("");
    lines.push(`${lines.pop()} ${word}`.trim());
  }
  return lines.map((line) => line.replaceAll("&", "&amp;").replaceAll("<", "&lt;"));
}

/** Title, notes and cautions for the file, since a picture that leaves the page must still say what it shows. */
function fileHeading(section) {
  const words = (element, tag) => element.querySelector(tag).textContent.trim();
  const notes = [...section.querySelectorAll(".figure-notes > div")].map((note) => `${words(note, "dt")}: ${words(note, "dd")}`);
  const cautions = [...section.querySelectorAll(".caution")].map((caution) => caution.innerText);
  const title = brokenIntoLines(section.querySelector("h2").textContent, FILE_LINE_CHARACTERS * 0.75);
  const below = [notes.join(" \u00b7 "), ...cautions].flatMap((text) => brokenIntoLines(text, FILE_LINE_CHARACTERS));
  return {
    height: (title.length + below.length + 2.5) * FILE_LINE_PX,
    title: {
      text: title.join("<br>"),
      subtitle: { text: below.join("<br>") },
      x: 0, xanchor: "left", yref: "container", y: 1, yanchor: "top",
      pad: { l: FILE_LINE_PX, t: 1.5 * FILE_LINE_PX },
    },
  };
}

/** Saves the wide figure in the light colours, the same from whatever screen. */
function saveAsSvg(plot) {
  const { title, height } = fileHeading(plot.closest(".figure"));
  const { data, layout } = composed(plot, { narrow: false, styles: paperStyles });
  const size = { width: FILE_WIDTH_PX, height: layout.height + height };
  const figure = { data, layout: merged(layout, { ...size, title, margin: { t: (layout.margin?.t ?? 0) + height } }) };
  return Plotly.downloadImage(figure, { format: "svg", filename: plot.dataset.filename ?? plot.dataset.figure, ...size });
}

function addSvgButton(plot) {
  const button = Object.assign(document.createElement("button"), { type: "button", className: "button", textContent: "As SVG" });
  button.addEventListener("click", () => saveAsSvg(plot));
  plot.closest(".figure").querySelector(".figure-actions").append(button);
}

/** A step of a curve leads to the failures up to its day, where the trace names their address. */
function followSteps(plot) {
  plot.on?.("plotly_click", ({ points }) => {
    const { x, data } = points[0];
    if (data.meta?.behind) location.assign(`${data.meta.behind}&until_day=${Math.round(x * DAYS_PER_MONTH)}`);
  });
}

async function showFigure(plot) {
  await draw(plot);
  followSteps(plot);
  plot.closest(".figure").querySelectorAll("details.as-table").forEach((table) => (table.open = false));
  addSvgButton(plot);
  widthWatch.observe(plot);
}

const showFigures = (root) => root.querySelectorAll(".figure-plot[data-figure]:not(.js-plotly-plot)").forEach(showFigure);

if (window.Plotly) {
  showFigures(document);
  document.body.addEventListener("htmx:load", (event) => showFigures(event.target));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => drawAgain());
  addEventListener("beforeprint", () => drawAgain({ styles: paperStyles, layout: { width: PRINT_WIDTH_PX } }));
  addEventListener("afterprint", () => drawAgain());
}
