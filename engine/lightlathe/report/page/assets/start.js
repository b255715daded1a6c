// Starts every view; a fault is said on the page, and <html data-ready> tells that all is drawn.
async function start() {
  startCharts();
  await startSlices();
  await startFrames();
  await startSolids();
}

start().then(() => { document.documentElement.dataset.ready = "yes"; }, (problem) => {
  const place = document.getElementById("fault");
  place.textContent = `A picture of this page could not be drawn: ${problem.message}. A current browser with WebGL draws all.`;
  place.hidden = false;
  document.documentElement.dataset.ready = "fault";
  console.error(problem);
});
