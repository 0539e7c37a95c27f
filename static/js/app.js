// Small comforts; every page works without them.

// The "More" sheet closes on Escape and on a press elsewhere.
const closeSheets = (except) => {
  for (const sheet of document.querySelectorAll("details.ways-more[open]")) {
    if (sheet !== except) sheet.open = false;
  }
};
document.addEventListener("click", (event) => {
  closeSheets(event.target.closest("details.ways-more"));
});
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  const open = document.querySelector("details.ways-more[open]");
  if (!open) return;
  open.open = false;
  open.querySelector("summary").focus();
});

// After a form comes back with errors, stand in the first field that needs another look.
const firstWrong = document.querySelector("main .is-invalid");
if (firstWrong) firstWrong.focus();

// A press sends a form once, however wet the thumb.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post" || event.defaultPrevented) return;
  const now = Date.now();
  if (now - Number(form.dataset.sentAt || 0) < 2000) event.preventDefault();
  else form.dataset.sentAt = String(now);
});

// Where the device keeps another time zone than the household, offer the device's.
for (const select of document.querySelectorAll("select[data-suggest-zone]")) {
  const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;
  const known = Array.from(select.options).some((option) => option.value === zone);
  const offer = document.getElementById(select.dataset.suggestZone);
  if (!known || !offer || select.value === zone) continue;
  const button = offer.querySelector("button");
  button.textContent = `Use this device’s: ${zone.replaceAll("_", " ")}`;
  button.addEventListener("click", () => {
    select.value = zone;
    offer.hidden = true;
    select.focus();
  });
  select.after(offer);
  offer.hidden = false;
}
for (const input of document.querySelectorAll("input[data-device-zone]")) {
  input.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
}
