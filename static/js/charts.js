// Draws every chart on the page, in the colours of the moment. The library is fetched only when a
// chart comes near the screen. Without any script the table below each chart stands open and holds
// the same figures; here it is closed, as the chart shows them.

const here = document.currentScript;
let library = null;

const fetchLibrary = () => {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = here.dataset.plotly;
    script.onload = () => resolve(window.Plotly);
    script.onerror = reject;
    document.head.append(script);
  });
  return library;
};

// "var(--chart-water)" anywhere in a figure becomes the colour that the style sheet gives it now.
const coloured = (value, styles) => {
  if (typeof value === "string") {
    return value.replace(/^var\((--[\w-]+)\)$/, (_, name) => styles.getPropertyValue(name).trim());
  }
  if (Array.isArray(value)) return value.map((each) => coloured(each, styles));
  if (value && typeof value === "object") {
    return Object.fromEntries(
      Object.entries(value).map(([key, each]) => [key, coloured(each, styles)]),
    );
  }
  return value;
};

const draw = async (chart) => {
  const place = chart.querySelector(".chart-place");
  const figure = JSON.parse(document.getElementById(chart.dataset.chart).textContent);
  const plotly = await fetchLibrary();
  const styles = getComputedStyle(document.documentElement);
  const { data, layout } = coloured(figure, styles);
  layout.font.family = getComputedStyle(document.body).fontFamily;
  layout.autosize = true;
  await plotly.react(place, data, layout, { displayModeBar: false, responsive: true });
  chart.dataset.drawn = "yes";
};

const near = new IntersectionObserver(
  (entries) => {
    for (const entry of entries) {
      if (!entry.isIntersecting) continue;
      near.unobserve(entry.target);
      draw(entry.target);
    }
  },
  { rootMargin: "200px" },
);

const watch = (root) => {
  for (const chart of root.querySelectorAll("[data-chart]:not([data-watched])")) {
    chart.dataset.watched = "yes";
    for (const table of chart.querySelectorAll(".chart-table")) table.open = false;
    near.observe(chart);
  }
};

const redraw = () => {
  for (const chart of document.querySelectorAll("[data-drawn]")) draw(chart);
};

watch(document);
document.body.addEventListener("htmx:afterSettle", () => watch(document));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
new MutationObserver(redraw).observe(document.documentElement, {
  attributeFilter: ["data-theme"],
});
