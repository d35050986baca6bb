// Fields that are being typed into: nothing that arrives meanwhile may take the words away.

const held = new WeakSet();

/** Notes when somebody types into a field; ask for this before listening for its changes. */
export function watch(field) {
  field.addEventListener("input", () => held.add(field));
  for (const kind of ["change", "blur"]) field.addEventListener(kind, () => held.delete(field));
}

/** Shows a value, unless somebody is typing another one. */
export function show(field, value) {
  if (!held.has(field)) field.value = value;
}
