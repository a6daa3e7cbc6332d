// Shows beside a slider what it stands at, on the steps that it has.
document.addEventListener("input", (event) => {
  const slider = event.target;
  if (slider.type !== "range") return;
  const step = Number(slider.dataset.step);
  slider.value = (Math.round(slider.value / step) * step).toFixed(3);
  slider.parentElement.querySelector("output").value = Number(slider.value);
});
// What was typed before the scripts had come is searched for too.
document.addEventListener("DOMContentLoaded", () => {
  for (const field of document.querySelectorAll("input[hx-get]"))
    if (field.value !== field.defaultValue) field.dispatchEvent(new Event("input"));
});
