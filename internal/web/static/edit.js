export function edit() {}
