package guard

type permit struct{}
