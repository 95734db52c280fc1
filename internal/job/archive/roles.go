package archive

import (
	"fmt"
	"strings"
)

// Roles is the SQL that lets roles of a PostgreSQL server read the archive, or read it and push to it. A role that
// pushes can add records and never change or remove one; only the owner of the tables deletes jobs.
func Roles(reader, pusher string) string {
	quote := func(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }
	var out strings.Builder
	out.WriteString("-- For a superuser of the server, or for the owner of the archive with the right to create " +
		"roles.\n")
	say := func(format string, args ...any) { fmt.Fprintf(&out, format+";\n", args...) }
	derived := strings.Join(append(factTables[:len(factTables):len(factTables)], "fixes"), ", ")
	for i, name := range []string{reader, pusher} {
		if name == "" {
			continue
		}
		what := [2]string{"reads the archive", "reads it and pushes jobs to it"}[i]
		fmt.Fprintf(&out, "-- %s %s. It cannot log in by itself: GRANT it to the people who may.\n", quote(name), what)
		say("CREATE ROLE %s NOLOGIN", quote(name))
		say("GRANT USAGE ON SCHEMA %s TO %s", schemaName, quote(name))
		say("GRANT SELECT ON ALL TABLES IN SCHEMA %s TO %s", schemaName, quote(name))
		// For tables that the owner makes later, whoever runs this.
		fmt.Fprintf(&out, "DO $do$ BEGIN EXECUTE format('ALTER DEFAULT PRIVILEGES FOR ROLE %%I IN SCHEMA %s GRANT "+
			"SELECT ON TABLES "+
			"TO %%I', (SELECT pg_get_userbyid(nspowner) FROM pg_namespace WHERE nspname = '%s'), '%s'); END $do$;\n",
			schemaName,
			schemaName, strings.ReplaceAll(name, "'", "''"))
	}
	if pusher != "" {
		fmt.Fprintf(&out, "SET search_path TO %s;\n", schemaName)
		say("GRANT INSERT ON jobs, runs, records, files, run_files, pushes TO %s", quote(pusher))
		say("GRANT UPDATE (derived, program) ON jobs TO %s", quote(pusher))
		say("GRANT UPDATE (count, head, closed, imported) ON runs TO %s", quote(pusher))
		say("GRANT INSERT, DELETE ON %s TO %s", derived, quote(pusher))
		say("GRANT INSERT ON curve_points TO %s", quote(pusher))
		say("GRANT UPDATE (original) ON run_facts TO %s", quote(pusher))
	}
	return out.String()
}
