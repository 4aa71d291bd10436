package journal

const standInEnv = "WEIGHPOST_JOURNAL_STANDIN"

func standIn() int { return 0 }
