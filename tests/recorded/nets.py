"""The nets by name."""

from tests.recorded import books, drives, jobs, live, pages, readers, speeches

NETS = {
    each.name: each
    for each in (jobs.NET, speeches.NET, drives.NET, readers.NET, pages.NET, live.NET, books.NET)
}
