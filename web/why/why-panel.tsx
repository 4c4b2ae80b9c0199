// 'Why this number?': the chain from a value down to the wire, as of the instant it was asked.
export function WhyPanel() {
  return null;
}
