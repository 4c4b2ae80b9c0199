// How a command says that its answer is no, which is not a failure of the program.

/** Ends the command with exit code 1; everything worth saying has been printed. */
export class AnswerIsNo extends Error {}
