// The page's own script: fills each chart with what can be seen at its present zoom, follows the colour scheme.
"use strict";
(() => {
  const MISSING = -32768;
  const page = document.documentElement;
  const charts = JSON.parse(document.getElementById("chart-data").textContent);
  for (const chart of charts) {
    chart.curves = chart.curves.map((curve) => ({ ...curve, codes: unpack(curve.samples), shown: true }));
  }

  function unpack(text) {
    const raw = atob(text);
    const view = new DataView(new ArrayBuffer(raw.length));
    for (let i = 0; i < raw.length; i++) view.setUint8(i, raw.charCodeAt(i));
    const codes = new Int16Array(raw.length / 2);
    for (let i = 0; i < codes.length; i++) codes[i] = view.getInt16(2 * i, true);
    return codes;
  }

  // Samples first to end as drawn points: all of them where they are few, else the least and the greatest
  // of each stretch of `size`, in the order they came. Stretches keep their place while the view moves.
  function points(curve, first, end, most) {
    const size = Math.ceil((2 * (end - first)) / most);
    const x = [], y = [];
    const put = (i) => {
      x.push(curve.first_s + i / curve.rate_hz);
      y.push(curve.codes[i] === MISSING ? NaN : curve.codes[i] * curve.step);
    };
    if (size < 3) {
      for (let i = first; i < end; i++) put(i);
      return { x, y };
    }
    for (let from = Math.floor(first / size) * size; from < end; from += size) {
      let low = -1, high = -1;
      const to = Math.min(from + size, curve.codes.length);
      for (let i = from; i < to; i++) {
        const code = curve.codes[i];
        if (code === MISSING) continue;
        if (low < 0 || code < curve.codes[low]) low = i;
        if (high < 0 || code > curve.codes[high]) high = i;
      }
      if (low < 0) put(from);
      else { put(Math.min(low, high)); put(Math.max(low, high)); }
    }
    return { x, y };
  }

  function fill({ figure, curves }) {
    const { start, end } = figure.x_range;
    const most = 4 * Math.max(figure.inner_width || 0, 400);
    curves.forEach((curve, i) => {
      const at = (time) => (time - curve.first_s) * curve.rate_hz;
      const last = curve.codes.length;
      const from = Math.min(Math.max(Math.floor(at(start)) - 1, 0), last);
      const to = Math.min(Math.max(Math.ceil(at(end)) + 2, from), last);
      const seen = curve.shown ? points(curve, from, to, most) : { x: [], y: [] };
      figure.renderers[i].data_source.data = seen;
    });
  }

  // Several changes before the next picture need one filling.
  function oncePerPicture(work) {
    let waiting = false;
    return () => {
      if (waiting) return;
      waiting = true;
      requestAnimationFrame(() => { waiting = false; work(); });
    };
  }

  function colour({ figure, curves }) {
    const style = getComputedStyle(page);
    const read = (name) => style.getPropertyValue(name).trim();
    const [ink, faint, ground] = ["--ink", "--rule", "--ground"].map(read);
    for (const axis of [...figure.below, ...figure.left]) {
      axis.axis_label_text_color = ink;
      axis.major_label_text_color = ink;
      axis.axis_line_color = ink;
      axis.major_tick_line_color = ink;
      axis.minor_tick_line_color = faint;
    }
    for (const grid of figure.center) grid.grid_line_color = faint;
    figure.background_fill_color = ground;
    figure.border_fill_color = ground;
    curves.forEach((curve, i) => {
      figure.renderers[i].glyph.line_color = read(`--line-${curve.condition % 6}`);
    });
  }

  function look({ figure, window }, start, end) {
    figure.x_range.setv({ start, end });
    figure.y_range.setv({ start: window.low, end: window.high });
  }

  function oneBlow(chart, choose) {
    const curve = chart.curves.find((candidate) => candidate.shown && candidate.blows_s.length > 0);
    if (curve) look(chart, choose(curve.blows_s) - 0.003, choose(curve.blows_s) + 0.012);
  }

  const looks = {
    whole: (chart) => look(chart, chart.window.start, chart.window.end),
    second: (chart) => look(chart, -0.02, Math.min(1, chart.window.end)),
    first: (chart) => oneBlow(chart, (blows) => blows[0]),
    last: (chart) => oneBlow(chart, (blows) => blows[blows.length - 1]),
  };

  function connect(chart, box) {
    const refill = oncePerPicture(() => fill(chart));
    chart.figure.x_range.change.connect(refill);
    window.addEventListener("resize", refill);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => colour(chart));
    for (const button of box.querySelectorAll("[data-look]")) {
      button.addEventListener("click", () => looks[button.dataset.look](chart));
    }
    for (const tick of box.querySelectorAll("[data-condition]")) {
      tick.addEventListener("change", () => {
        for (const curve of chart.curves) {
          if (curve.condition === Number(tick.dataset.condition)) curve.shown = tick.checked;
        }
        refill();
      });
    }
  }

  async function show(chart, i) {
    await Bokeh.embed.embed_item(chart.item);
    const found = Bokeh.documents.map((each) => each.get_model_by_name(chart.name));
    chart.figure = found.find((figure) => figure !== null);
    colour(chart);
    fill(chart);
    connect(chart, document.querySelector(`[data-chart="${i}"]`));
  }

  Bokeh.set_log_level("warn");
  Promise.all(charts.map(show)).then(() => { page.dataset.charts = "shown"; });
})();
