// Comforts of the log forms; everything works without them.

// As the server reads them: “1,340”, “1.340,5” and “1 340” are one thousand and more, “12,5” is not.
const GROUPED = /^([+-]?)([1-9]\d{0,2}(?:([,.])\d{3})(?:\3\d{3})*)(?:((?!\3)[,.])(\d*))?$/;
const asNumber = (text) => {
  let plain = text.replaceAll(/\s/g, "");
  const found = GROUPED.exec(plain);
  if (found) {
    const [, sign, whole, mark, point, part] = found;
    const groups = whole.split(mark);
    if (mark === "," || point || groups.length > 2) {
      return Number(`${sign}${groups.join("")}.${part || "0"}`);
    }
  }
  if (plain.split(",").length === 2 && !plain.includes(".")) plain = plain.replace(",", ".");
  return plain === "" ? NaN : Number(plain);
};

const say = (form, words, high = false) => {
  const live = form.querySelector(".log-live");
  if (!live) return;
  live.textContent = words;
  live.hidden = words === "";
  live.classList.toggle("is-high", high);
};

// Local date and time as if it were UTC: only differences between two of them are used.
const asIfUtc = (text) => Date.parse(`${text}:00Z`);

// The implied flow while a meter reading is typed.
for (const input of document.querySelectorAll("input[data-last-at]")) {
  const { form } = input;
  const at = form.elements.namedItem("at");
  const shownAt = at ? at.defaultValue : "";
  const flow = () => {
    const number = asNumber(input.value);
    if (!Number.isFinite(number)) return say(form, "");
    const back = at && at.value ? (asIfUtc(at.value) - asIfUtc(shownAt)) / 1000 : 0;
    const days = (Number(input.dataset.now) + back - Number(input.dataset.lastAt)) / 86400;
    if (!(days > 0)) return say(form, "");
    const passed = number - Number(input.dataset.last);
    if (passed < 0) {
      const asked = form.querySelector("[name=fell]");
      return say(form, asked ? "" : "Lower than the last reading: you will be asked why.", true);
    }
    const perDay = (passed / days) * Number(input.dataset.flowPerUnit);
    const decimals = Number(input.dataset.flowDecimals);
    const figures = { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
    const expected = Number(input.dataset.expected);
    const high = expected > 0 && perDay > 3 * expected;
    let words = `= ${perDay.toLocaleString("en-US", figures)} ${input.dataset.flowUnit} since then`;
    if (expected > 0) {
      words += `; about ${expected.toLocaleString("en-US", figures)} is expected`;
    }
    return say(form, words, high);
  };
  input.addEventListener("input", flow);
  if (at) at.addEventListener("input", flow);
  flow();
}

// The flow of a bucket test while it is typed.
for (const input of document.querySelectorAll("input[data-ml-per-s]")) {
  const { form } = input;
  const seconds = form.elements.namedItem("duration_s");
  const flow = () => {
    const perDay =
      (asNumber(input.value) / asNumber(seconds.value)) * Number(input.dataset.mlPerS);
    if (!Number.isFinite(perDay) || perDay <= 0) return say(form, "");
    const decimals = Number(input.dataset.flowDecimals);
    const figures = { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
    return say(
      form,
      `= ${perDay.toLocaleString("en-US", figures)} ${input.dataset.flowUnit}`,
      perDay > 3 * Number(input.dataset.expected),
    );
  };
  input.addEventListener("input", flow);
  seconds.addEventListener("input", flow);
  flow();
}

// A time nobody touched keeps meaning now, however long the page lies open.
const opened = Date.now();
const keepNow = () => {
  for (const input of document.querySelectorAll("input[type=datetime-local][data-now]")) {
    if (input.value !== input.dataset.shown) continue;
    const moved = asIfUtc(input.defaultValue) + (Date.now() - opened);
    input.value = new Date(moved).toISOString().slice(0, 16);
    input.dataset.shown = input.value;
  }
};
for (const input of document.querySelectorAll("input[type=datetime-local][data-now]")) {
  input.dataset.shown = input.value;
}
document.addEventListener("visibilitychange", keepNow);
document.addEventListener("submit", keepNow, true);

// Some fields are asked only for one answer; without a script they all stand there.
const onlyFor = (name, answer, parts) => {
  for (const form of document.querySelectorAll("form.log-form")) {
    const choices = form.querySelectorAll(`input[type=radio][name=${name}]`);
    if (!choices.length) continue;
    const fold = () => {
      const picked = form.querySelector(`input[name=${name}]:checked`);
      for (const part of form.querySelectorAll(parts)) {
        part.hidden = !picked || picked.value !== answer;
      }
    };
    for (const choice of choices) choice.addEventListener("change", fold);
    fold();
  }
};
onlyFor("cartridge", "new", ".log-spec, .log-price");
onlyFor("fell", "rolled", ".log-rolls_over_at");
onlyFor("fell", "replaced", ".log-unit, .log-new_start, .log-fitted_at");
