export function ensureInstalled(options: { dev: boolean; folder?: string }): void;
export function ensureBuilt(): void;
