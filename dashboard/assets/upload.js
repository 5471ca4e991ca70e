/* The field that a file is dropped on gets the words beside it as its name: the component gives it none. */
new MutationObserver(() => {
  for (const input of document.querySelectorAll(".drop input[type=file]:not([aria-label])")) {
    input.setAttribute("aria-label", input.parentElement.textContent.trim());
  }
}).observe(document.documentElement, { childList: true, subtree: true });
