"use strict";
(() => {
  const embedded = JSON.parse(document.getElementById("embedded").textContent);
  const dimensions = ["depot", "duty", "axle_type"];
  const selects = Object.fromEntries(
    dimensions.map((d) => [d, document.querySelector(`select[name=${d}]`)]));
  const views = {};

  const options = {
    ast: true, actions: false, renderer: "svg", defaultStyle: false, config: embedded.config,
    tooltip: { disableDefaultStyle: true },
  };

  const selection = () =>
    Object.fromEntries(dimensions.map((d) => [d, selects[d] ? selects[d].value : ""]));

  function rowsFor(figure, rows, chosen) {
    return rows.filter((row) => figure.dimensions.every((d) => !chosen[d] || row[d] === chosen[d]));
  }

  async function draw(key, chosen) {
    const figure = embedded.figures[key];
    const place = document.querySelector(`[data-figure="${key}"]`);
    const spec = structuredClone(figure.spec);
    if (figure.matching === "cells") {
      for (const name of Object.keys(spec.datasets || {}))
        spec.datasets[name] = rowsFor(figure, spec.datasets[name], chosen);
    }
    if (views[key]) views[key].finalize();
    views[key] = await vegaEmbed(place.querySelector(".drawing"), spec, options);
  }

  async function drawAll() {
    const chosen = selection();
    for (const key of Object.keys(embedded.figures)) await draw(key, chosen);
    for (const row of document.querySelectorAll(".flags tbody tr"))
      row.hidden = dimensions.some((d) => chosen[d] && row.dataset[d] !== chosen[d]);
    document.documentElement.dataset.drawn = "yes";
  }

  for (const d of dimensions) if (selects[d]) selects[d].addEventListener("change", drawAll);
  drawAll();
})();
