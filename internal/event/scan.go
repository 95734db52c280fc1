package event

func decodeIntent(body []byte) (Event, error)     { return decode[Intent](body) }
func decodeStepClosed(body []byte) (Event, error) { return decode[StepClosed](body) }
