# Prints figures and their ratio to the bare library, measured in the same run; never passes or fails by time.
# `speed_journal` takes its journal's directory as argument (default /tmp).
add_executable(speed_journal EXCLUDE_FROM_ALL ${CMAKE_CURRENT_SOURCE_DIR}/speed/journal/speed_journal.c
  ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c)
target_include_directories(speed_journal PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
target_link_libraries(speed_journal PRIVATE uplink journal PkgConfig::CHECK PkgConfig::sqlite3)
