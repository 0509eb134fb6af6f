# `speed_journal` takes its journal's directory as argument (default /tmp).
speed_program(speed_journal SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/speed/journal/speed_journal.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c LINKS uplink journal PkgConfig::sqlite3)
target_include_directories(speed_journal PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
