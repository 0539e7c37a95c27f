// Comforts of the guided set-up; every step works without them.

const form = document.getElementById("step-form");

// Typical chlorine follows the disinfectant for as long as nobody has typed another figure.
const typicalData = document.getElementById("typical-water");
if (form && typicalData) {
  const typical = JSON.parse(typicalData.textContent);
  const names = ["total_mg_l", "free_mg_l"];
  const untouched = (name) =>
    Object.values(typical).some((water) => Number(form.elements[name].value) === water[name]);
  form.addEventListener("change", (event) => {
    if (event.target.name !== "disinfectant") return;
    const water = typical[event.target.value];
    if (!water || !names.every(untouched)) return;
    for (const name of names) form.elements[name].value = water[name];
  });
}

// A household that never chose a time zone is most likely where this device is. A device may call
// a place by an older name than the list does; then the first of the same clock stands for it.
const zone = document.querySelector("select[data-device-zone-first]");
if (zone && zone.value === "UTC") {
  const known = (name) => new Intl.DateTimeFormat("en", { timeZone: name }).resolvedOptions().timeZone;
  const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const isHere = (name) => {
    try {
      return name === here || known(name) === here;
    } catch {
      return false;
    }
  };
  const names = Array.from(zone.options, (option) => option.value);
  const found = names.includes(here) ? here : names.find(isHere);
  if (found) zone.value = found;
}

// What is typed is kept as it is typed, so that leaving the page loses nothing.
if (form && "keep" in form.dataset) {
  let pending = null;
  let timer = 0;
  const keep = () => {
    const typed = new FormData(form);
    typed.set("go", "keep");
    pending = new AbortController();
    fetch(form.action, { method: "POST", body: typed, signal: pending.signal }).catch(() => {});
  };
  form.addEventListener("change", () => {
    window.clearTimeout(timer);
    timer = window.setTimeout(keep, 400);
  });
  form.addEventListener("submit", () => {
    window.clearTimeout(timer);
    if (pending) pending.abort();
  });
}
