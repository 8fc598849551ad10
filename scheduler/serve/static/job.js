// Asks where a command stands until it has ended.
(function () {
  var me = document.currentScript, key = me.dataset.key;
  if (!me.dataset.running) return;
  function ask() {
    fetch("/job/" + key, { headers: { accept: "application/json" }, credentials: "same-origin" })
      .then(function (answer) { return answer.json(); })
      .then(function (job) {
        document.getElementById("state").textContent = job.state;
        document.getElementById("lines").textContent = job.lines.join("\n");
        if (job.state === "at work") { setTimeout(ask, 700); return; }
        document.getElementById("stop").hidden = true;
        if (job.state === "done") { location.assign(job.result); }
      })
      .catch(function () { setTimeout(ask, 3000); });
  }
  setTimeout(ask, 500);
})();
