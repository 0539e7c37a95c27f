// Runs before the first paint: tells Bootstrap which of its two palettes is in force.
(() => {
  const root = document.documentElement;
  const dark = window.matchMedia("(prefers-color-scheme: dark)");
  const apply = () => {
    const wish = root.dataset.theme;
    const inForce = wish === "light" || wish === "dark" ? wish : dark.matches ? "dark" : "light";
    if (root.dataset.bsTheme === inForce) return;
    root.dataset.bsTheme = inForce;
    // Charts read the --chart-* colours again when they hear this.
    root.dispatchEvent(new CustomEvent("themechange", { bubbles: true, detail: inForce }));
  };
  apply();
  dark.addEventListener("change", apply);
  new MutationObserver(apply).observe(root, { attributes: true, attributeFilter: ["data-theme"] });
})();
