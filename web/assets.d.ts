// Style sheets that Vite bundles, as modules without exports.
declare module '*.css' {}
